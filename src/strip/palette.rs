//! Colors of the class picture, apart from each other for color-blind readers too.

use super::LegendEntry;

/// Found by maximizing the least distance in OKLab between any two of these, black and white, over
/// normal and simulated color-blind vision (the test below says which).
const CLASSES: [[u8; 3]; 8] = [
    [255, 30, 255],
    [90, 255, 0],
    [30, 0, 255],
    [225, 180, 195],
    [180, 0, 0],
    [75, 180, 0],
    [120, 0, 150],
    [150, 105, 150],
];

/// Palette index of a pixel that is too faint.
pub(super) const TOO_FAINT: u8 = 0;
/// Palette index of a novel pixel.
pub(super) const NOVEL: u8 = 1;
/// Palette index of the first class.
pub(super) const FIRST_CLASS: u8 = 2;

/// Classes that a picture of one byte a pixel can hold beside the two other indices.
pub(super) const MOST_CLASSES: usize = 254;

/// Too faint black, novel white, the classes worth a walk first; beyond eight, colors repeat.
pub(super) fn legend(classes: &[String], positive: &[bool]) -> Vec<LegendEntry> {
    let mut entries = vec![
        LegendEntry {
            index: TOO_FAINT,
            name: "too faint".into(),
            color: [0; 3],
        },
        LegendEntry {
            index: NOVEL,
            name: "novel".into(),
            color: [255; 3],
        },
    ];
    let positives = positive.iter().filter(|p| **p).count();
    let mut next = [positives, 0];
    for (k, (class, positive)) in classes.iter().zip(positive).enumerate() {
        let place = &mut next[usize::from(*positive)];
        entries.push(LegendEntry {
            index: FIRST_CLASS + k as u8,
            name: class.clone(),
            color: CLASSES[*place % CLASSES.len()],
        });
        *place += 1;
    }
    entries
}

#[cfg(test)]
mod tests {
    use super::*;

    type Matrix = [[f64; 3]; 3];

    fn times(m: &Matrix, x: [f64; 3]) -> [f64; 3] {
        m.map(|row| row.iter().zip(x).map(|(a, b)| a * b).sum())
    }

    /// OKLab of linear sRGB (Ottosson 2020, A perceptual color space for image processing; from
    /// memory).
    fn oklab(linear: [f64; 3]) -> [f64; 3] {
        let cones = times(
            &[
                [0.4122214708, 0.5363325363, 0.0514459929],
                [0.2119034982, 0.6806995451, 0.1073969566],
                [0.0883024619, 0.2817188376, 0.6299787005],
            ],
            linear.map(|c| c.clamp(0.0, 1.0)),
        );
        times(
            &[
                [0.2104542553, 0.7936177850, -0.0040720468],
                [1.9779984951, -2.4285922050, 0.4505937099],
                [0.0259040371, 0.7827717662, -0.8086757660],
            ],
            cones.map(f64::cbrt),
        )
    }

    /// Normal sight; protanopia and deuteranopia by Viénot, Brettel and Mollon 1999 (Color Res.
    /// Appl. 24:243), tritanopia by Machado, Oliveira and Fernandes 2009; matrices from memory.
    const SIGHTS: [Matrix; 4] = [
        [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]],
        [
            [0.11238, 0.88762, 0.0],
            [0.11238, 0.88762, 0.0],
            [0.00401, -0.00401, 1.0],
        ],
        [
            [0.29275, 0.70725, 0.0],
            [0.29275, 0.70725, 0.0],
            [-0.02234, 0.02234, 1.0],
        ],
        [
            [1.255528, -0.076749, -0.178779],
            [-0.078411, 0.930809, 0.147602],
            [0.004733, 0.691367, 0.303900],
        ],
    ];

    #[test]
    fn any_two_colors_stay_apart_for_color_blind_readers() {
        let classes: Vec<String> = (0..8).map(|i| i.to_string()).collect();
        let entries = legend(&classes, &[false; 8]);
        for sight in &SIGHTS {
            let seen: Vec<[f64; 3]> = entries
                .iter()
                .map(|e| {
                    let linear = e
                        .color
                        .map(|c| crate::signal::srgb::decode(f64::from(c) / 255.0));
                    oklab(times(sight, linear))
                })
                .collect();
            for (i, a) in seen.iter().enumerate() {
                for b in &seen[..i] {
                    let distance: f64 = a.iter().zip(b).map(|(a, b)| (a - b).powi(2)).sum();
                    assert!(distance.sqrt() > 0.16, "{a:?} {b:?}");
                }
            }
        }
    }

    #[test]
    fn classes_worth_a_walk_take_the_first_colors() {
        let classes = ["bone", "calcite", "tooth"].map(String::from);
        let entries = legend(&classes, &[true, false, true]);
        let colors: Vec<_> = entries[2..].iter().map(|e| e.color).collect();
        assert_eq!(colors, [CLASSES[0], CLASSES[2], CLASSES[1]]);
        assert_eq!(entries[4].index, 4);
    }
}
