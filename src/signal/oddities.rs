//! Readings that look like a slip of unit: code values as shares of 1, heights in centimeters,
//! exposures in milliseconds.

use super::{BitDepth, Reading};
use crate::{Error, Result};

/// A drone that sees a laser line flies lower.
const HIGHEST_M: f64 = 200.0;
/// A camera that moves over the ground exposes shorter.
const LONGEST_S: f64 = 1.0;
/// An exposure so many times longer or shorter than the calibration's is asked about.
const EXPOSURES: f64 = 50.0;
/// So many readings are needed before all of them being small is no chance.
const FEWEST: usize = 3;

/// Fails where the code values of a table, `readings`, are all below 1: they are shares of full scale.
///
/// # Errors
/// Says the largest value found and the range expected.
pub fn check_scale<'a>(readings: impl Iterator<Item = &'a Reading>, depth: BitDepth) -> Result<()> {
    let (count, largest) = largest_code(readings);
    if count < FEWEST || largest > 1.0 || largest == 0.0 {
        return Ok(());
    }
    let full = depth.largest();
    Err(Error::input(format!(
        "found no code value above {largest:.3} in r, g and b, expected 0 to {full}: these look like values \
         from 0 to 1"
    ))
    .remedy(format!("multiply them by {full}, and r_sd, g_sd and b_sd too")))
}

/// What looks odd of readings, each with the name that the user knows it by.
pub fn odd_units<'a>(
    readings: impl Iterator<Item = (String, &'a Reading)> + Clone,
    depth: BitDepth,
) -> Vec<String> {
    let of = |value: fn(&Reading) -> Option<f64>| {
        let named = readings.clone();
        named.filter_map(move |(name, reading)| Some((name, value(reading)?)))
    };
    let mut told = Vec::new();
    told.extend(odd_heights(of(|r| r.capture.height_m)));
    told.extend(long_exposures(of(|r| r.capture.exposure_s)));
    let (count, largest) = largest_code(readings.map(|(_, reading)| reading));
    if depth.bits() > 8 && count >= FEWEST && largest <= 255.0 {
        told.push(format!(
            "No code value is above {largest:.0}, while rig.bit_depth = {} goes up to {}: is the depth 8?",
            depth.bits(),
            depth.largest()
        ));
    }
    told
}

/// Asks about heights in m from which no laser line is seen, each with its name.
pub fn odd_heights(heights: impl Iterator<Item = (String, f64)>) -> Option<String> {
    let (names, largest) = above(heights, HIGHEST_M)?;
    Some(format!(
        "height_m is above {HIGHEST_M} m in {names} (largest {largest}): no laser line is seen from there. Is it in \
         centimeters?"
    ))
}

/// Asks about exposures in s that no moving camera makes, each with its name.
pub fn long_exposures(exposures: impl Iterator<Item = (String, f64)>) -> Option<String> {
    let (names, largest) = above(exposures, LONGEST_S)?;
    Some(format!(
        "exposure_s is above {LONGEST_S} s in {names} (largest {largest}). Is it in milliseconds?"
    ))
}

/// Asks about exposures far from the calibration's, each with its name and how many times that one it is.
pub fn other_exposures(times: impl Iterator<Item = (String, f64)>) -> Option<String> {
    let far = times.filter(|(_, times)| !(1.0 / EXPOSURES..=EXPOSURES).contains(times));
    let (names, times): (Vec<String>, Vec<f64>) = far.unzip();
    let first = times.first()?;
    Some(format!(
        "exposure_s is {first:.3} times that of the calibration in {}. Are both in seconds?",
        listed(&names)
    ))
}

/// The names of the values above a limit, and the largest of them.
fn above(values: impl Iterator<Item = (String, f64)>, limit: f64) -> Option<(String, f64)> {
    let (names, values): (Vec<String>, Vec<f64>) = values.filter(|(_, v)| *v > limit).unzip();
    let largest = values.iter().copied().fold(0.0, f64::max);
    (!names.is_empty()).then(|| (listed(&names), largest))
}

/// How many readings were given as code values, and the largest of these; what is read from a picture
/// has the picture's depth.
fn largest_code<'a>(readings: impl Iterator<Item = &'a Reading>) -> (usize, f64) {
    let given = readings.filter(|r| r.capture.column.is_none());
    given.fold((0, 0.0), |(count, largest), reading| {
        (
            count + 1,
            reading.code.0.into_iter().fold(largest, f64::max),
        )
    })
}

/// The first few of some names, and how many more there are.
pub fn listed(names: &[String]) -> String {
    const SHOWN: usize = 5;
    let shown = names[..names.len().min(SHOWN)].join(", ");
    match names.len().saturating_sub(SHOWN) {
        0 => shown,
        more => format!("{shown} and {more} more"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::signal::{Capture, CodeValues, Response};

    fn reading(codes: [f64; 3], height_m: f64, exposure_s: f64) -> Reading {
        let capture = Capture {
            height_m: Some(height_m),
            exposure_s: Some(exposure_s),
            ..Capture::default()
        };
        let depth = BitDepth::new(12).unwrap();
        Reading::from_code_values(
            CodeValues(codes),
            None,
            None,
            &Response::Linear,
            depth,
            capture,
        )
        .unwrap()
    }

    fn told(readings: &[Reading]) -> Vec<String> {
        let named = readings.iter().enumerate();
        odd_units(
            named.map(|(i, r)| (format!("p{i}"), r)),
            BitDepth::new(12).unwrap(),
        )
    }

    #[test]
    fn centimeters_milliseconds_and_another_depth_are_asked_about() {
        let usual = reading([900.0, 700.0, 300.0], 6.0, 0.008);
        assert_eq!(told(&[usual.clone(), usual.clone()]), Vec::<String>::new());
        let high = told(&vec![reading([900.0; 3], 600.0, 0.008); 7]);
        assert!(
            high[0].contains("p0, p1, p2, p3, p4 and 2 more (largest 600)"),
            "{high:?}"
        );
        assert!(high[0].contains("centimeters?") && high.len() == 1);
        let long = told(&[reading([900.0; 3], 6.0, 8.0), usual]);
        assert!(
            long[0].contains("in p0 (largest 8)") && long[0].contains("milliseconds?"),
            "{long:?}"
        );
        let dim = told(&vec![reading([90.0, 240.0, 3.0], 6.0, 0.008); 3]);
        assert!(
            dim[0].contains("above 240") && dim[0].contains("is the depth 8?"),
            "{dim:?}"
        );
    }

    #[test]
    fn shares_of_full_scale_are_no_code_values() {
        let of = |code: f64, count: usize| {
            let all = vec![reading([code, 0.1, 0.2], 6.0, 0.008); count];
            check_scale(all.iter(), BitDepth::EIGHT)
        };
        let text = of(0.83, 3).unwrap_err().to_string();
        assert!(
            text.contains("above 0.830") && text.contains("multiply them by 255"),
            "{text}"
        );
        assert!(of(3.0, 3).is_ok());
        // One dark patch may have such a mean.
        assert!(of(0.83, 1).is_ok());
    }
}
