//! Patches in the field, measured by rigs that were calibrated in many ways.

use crate::simulated::{self, Simulated};
use boneglow::calibration::{Role, calibrate};
use boneglow::colorimetry::{Observer, Weights, Xyz};
use boneglow::numeric::least_squares::linear;
use boneglow::season::MappingChoice;
use boneglow::simulation::Draw;
use boneglow::spectra::{Spectrum, read_spectra};
use nalgebra::{Matrix2, Vector2};
use std::path::Path;

/// A signal whose chromaticity is known.
#[allow(dead_code)]
#[derive(Clone, Copy)]
pub struct Seen {
    pub signal: [f64; 3],
    pub uv: [f64; 2],
}

/// A signal as the camera gives it before its white balance.
pub fn unbalanced(made: &Simulated, signal: [f64; 3]) -> [f64; 3] {
    std::array::from_fn(|c| signal[c] / made.balance[c])
}

/// What one rig's calibration makes of patches in the field.
pub struct Field {
    pub errors: Vec<f64>,
    pub inside: usize,
    pub bright_errors: Vec<f64>,
    pub bright_inside: usize,
    pub floor: Vec<f64>,
    pub clean: Vec<f64>,
    pub practice: Vec<f64>,
    /// Which kind of glow each patch is, as [`simulated::KINDS`] names them.
    pub kinds: Vec<usize>,
    /// Which rig measured each patch.
    pub rigs: Vec<u64>,
    /// What the camera sees of each without noise, leak and white balance.
    pub seen: Vec<Seen>,
}

/// Calibrates simulated rigs and measures 100 patches with each, beside the 24-patch least-squares
/// practice on the same patches and the best mapping that the patches' own spectra allow.
pub fn in_the_field(rigs: u64, mapping: MappingChoice, curves: bool) -> Field {
    let mut field = Field {
        errors: Vec::new(),
        inside: 0,
        bright_errors: Vec::new(),
        bright_inside: 0,
        floor: Vec::new(),
        clean: Vec::new(),
        practice: Vec::new(),
        kinds: Vec::new(),
        rigs: Vec::new(),
        seen: Vec::new(),
    };
    for seed in 0..rigs {
        let mut made = Simulated::new(seed, 10, curves);
        made.season.plan.calibration.mapping = mapping;
        let rig = calibrate(&made.season).unwrap();
        let chart = chart_matrix(&made);
        let best = best_matrix(&made, seed);
        let named = rig.luminance.target.as_deref().unwrap();
        let at: usize = named["tile ".len()..].parse().unwrap();
        let (level, _) = Simulated::levels(seed, 10)[at];
        let unit = simulated::luminance(&made.virtual_rig, &made.targets[at], level);
        let mut draw = Draw::new(seed, "field", 0);
        for _ in 0..100 {
            let (kind, glow) = simulated::glow_and_kind(&mut draw);
            let level = draw.between(0.08, 0.8);
            let reading = made.reading(&glow, level, 400, &mut draw);
            let truth = simulated::truth(&made.virtual_rig, &glow);
            let found = rig.measure(&reading, Role::Ground);
            let Some(color) = found.color.filter(|_| !found.too_faint) else {
                continue;
            };
            let away = Vector2::new(color.u - truth[0], color.v - truth[1]);
            let c = color.covariance;
            let inverse = Matrix2::new(c[0][0], c[0][1], c[1][0], c[1][1]).try_inverse();
            // 95 % of a bivariate normal.
            let length = (away.transpose() * inverse.unwrap() * away)[(0, 0)];
            field.inside += usize::from(length < 5.991);
            field.errors.push(away.norm());
            let bright = simulated::luminance(&made.virtual_rig, &glow, level) / unit;
            let off = (color.log_luminance - bright.log10()).abs();
            field.bright_inside += usize::from(off < 1.96 * color.sd()[2]);
            field.bright_errors.push(off);
            let net: Vec<f64> = (0..3)
                .map(|i| reading.signal.0[i] - rig.black.signal[i] - 0.35 * rig.leak.signal[i])
                .collect();
            let of = |matrix: &[Vec<f64>], signal: &[f64]| {
                let dot = |row: &Vec<f64>| row.iter().zip(signal).map(|(a, b)| a * b).sum();
                let xyz: Vec<f64> = matrix.iter().map(dot).collect();
                let uv = Xyz::new(xyz[0], xyz[1], xyz[2]).uv();
                uv.map_or(0.5, |c| (c.u - truth[0]).hypot(c.v - truth[1]))
            };
            field.practice.push(of(&chart, &net));
            let clean = simulated::signal(&made.virtual_rig, &glow, 1.0);
            let [x, y, z] = rig.mapping.xyz(clean);
            let uv = Xyz::new(x, y, z).uv().unwrap();
            field.clean.push((uv.u - truth[0]).hypot(uv.v - truth[1]));
            field.seen.push(Seen {
                signal: unbalanced(&made, clean),
                uv: truth,
            });
            field.kinds.push(kind);
            field.rigs.push(seed);
            field.floor.push(of(&best, &polynomial(clean)));
        }
    }
    field
}

fn polynomial([r, g, b]: [f64; 3]) -> Vec<f64> {
    vec![r, g, b, (r * g).sqrt(), (g * b).sqrt(), (b * r).sqrt()]
}

/// The practice: a matrix by least squares from 24 patches of known reflectance under D65, seen
/// through the same filter.
fn chart_matrix(made: &Simulated) -> Vec<Vec<f64>> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/published/data");
    let patches = read_spectra(&folder.join("target_a_reflectance_5nm.csv")).unwrap();
    let lights = read_spectra(&folder.join("illuminant_spd_5nm.csv")).unwrap();
    let daylight = &lights.iter().find(|l| l.name == "D65").unwrap().spectrum;
    let glows = patches.iter().map(|p| {
        Spectrum::sampled(380.0, 5.0, 81, |nm| {
            p.spectrum.value_at(nm) * daylight.value_at(nm)
        })
    });
    least_squares(made, glows, false, |signal| signal.to_vec())
}

/// A root polynomial fitted without noise to 600 glows drawn as the patches are, each of equal
/// weight in XYZ of sum 1: what the camera's curves let be known of such glows.
fn best_matrix(made: &Simulated, seed: u64) -> Vec<Vec<f64>> {
    let mut draw = Draw::new(seed, "metameric floor", 1);
    let glows: Vec<Spectrum> = (0..600).map(|_| simulated::glow(&mut draw)).collect();
    least_squares(made, glows.into_iter(), true, polynomial)
}

fn least_squares(
    made: &Simulated,
    glows: impl Iterator<Item = Spectrum>,
    even: bool,
    terms: impl Fn([f64; 3]) -> Vec<f64>,
) -> Vec<Vec<f64>> {
    let rig = &made.virtual_rig;
    let (mut rows, mut colors) = (Vec::new(), Vec::new());
    for glow in glows {
        let weights = Weights::through(Observer::Cie1931, &rig.filter, glow.wavelengths());
        let xyz = weights.xyz(glow.values()).unwrap().to_array();
        let scale = if even {
            1.0 / xyz.iter().sum::<f64>()
        } else {
            1.0
        };
        rows.push(
            terms(rig.glow(&glow))
                .iter()
                .map(|t| t * scale)
                .collect::<Vec<_>>(),
        );
        colors.push(xyz.map(|v| v * scale));
    }
    (0..3)
        .map(|k| {
            let values: Vec<f64> = colors.iter().map(|c| c[k]).collect();
            linear(&rows, &values).unwrap().coefficients
        })
        .collect()
}

/// Of the values, those whose place in `of` is `which`.
#[allow(dead_code)]
pub fn of_one<T: PartialEq>(values: &[f64], of: &[T], which: T) -> Vec<f64> {
    let pairs = values.iter().zip(of);
    pairs
        .filter_map(|(value, one)| (*one == which).then_some(*value))
        .collect()
}

pub fn quantile(values: &[f64], share: f64) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    sorted[((sorted.len() - 1) as f64 * share).round() as usize]
}
