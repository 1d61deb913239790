//! Glows computed from the camera's own curves, which fill in what a dozen targets leave open.
//!
//! Where the season gives sensitivities and the reference are spectra, glows of many hues and
//! widths are sent through the filter onto the curves, and the mapping is fitted to them together
//! with the targets. The targets set the balance of the channels and are what is tested: computed
//! glows are only kept if they lower the error of targets left out.

use super::TrialGlows;
use super::fit::Sample;
use super::reference::Reference;
use super::targets::Measured;
use crate::colorimetry::{Observer, Weights};
use crate::season::ChromaticityKind;
use crate::spectra::{Filter, Sensitivities};

/// Number of computed glows.
const GLOWS: usize = 240;
/// All computed glows together weigh as much as so many targets. In trials with a measured camera
/// and ten targets, 100 left a tail of errors a quarter shorter than 9 did.
const WORTH: f64 = 100.0;
/// Glows that the mapping is fitted to: most luminescence is one band. Narrower bands, or as many
/// mixtures as `STRANGE` has, shorten the tail of errors in trials at the cost of their median.
const USUAL: Family = Family {
    width_nm: (40.0, 160.0),
    second_band: 0.25,
};
/// Glows that the mapping is tried on, to say how far off it may be.
const STRANGE: Family = Family {
    width_nm: (30.0, 160.0),
    second_band: 0.5,
};
/// At least this share of a glow's luminance must pass the filter, of what would pass one that is everywhere as
/// clear as this one at its clearest.
const PASSED: f64 = 0.05;

/// What the mapping leaves at glows that it is tried on, with what they are.
pub(super) fn tried(glows: usize, lack_of_fit: [[f64; 2]; 2]) -> TrialGlows {
    let (narrow, broad) = STRANGE.width_nm;
    TrialGlows {
        lack_of_fit,
        glows,
        width_nm: [narrow, broad],
        two_bands: STRANGE.second_band,
    }
}

/// Computed glows and how well the curves agree with the captures.
#[derive(Debug, Clone)]
pub(super) struct Computed {
    /// Signals with their chromaticities, weighted.
    pub samples: Vec<Sample>,
    /// Glows of more kinds, which no fit sees.
    pub trials: Vec<Sample>,
    /// Standard deviation over targets of the logarithm of channel ratios, measured over computed.
    pub disagreement: f64,
}

/// Glows through the filter onto the camera, brought to the balance that the targets show.
///
/// # Errors
/// Why there are none, as the rest of a sentence.
pub(super) fn compute(
    reference: &Reference,
    camera: &Sensitivities,
    targets: &[Measured],
    laser_nm: f64,
    channels: [bool; 3],
) -> Result<Computed, &'static str> {
    let grid: Vec<f64> = (0..=90).map(|i| 380.0 + 4.0 * f64::from(i)).collect();
    let onto = |filter: &Filter, grid: &[f64]| camera.weights(filter, grid);
    let mut ratios: [Vec<(f64, f64)>; 3] = Default::default();
    for target in targets {
        let Some(spectrum) = &reference.targets[target.reference].spectrum else {
            return Err("the reference gives chromaticities of the targets and not their spectra");
        };
        let response = camera.response(&reference.filter, spectrum);
        let net = target.net;
        let error = |c: usize| {
            let variance: f64 = target.steps.iter().map(|s| s[c] * s[c]).sum();
            variance.sqrt() / net[c]
        };
        for c in [0, 2] {
            let ratio = (net[c] / net[1]) / (response[c] / response[1]);
            let error = error(c).hypot(error(1));
            if channels[c] && channels[1] && ratio > 0.0 && ratio.is_finite() && error < 0.3 {
                ratios[c].push((ratio.ln(), error));
            }
        }
    }
    let mut gains = [1.0; 3];
    let mut disagreement: f64 = 0.0;
    for c in [0, 2] {
        if channels[c] && channels[1] {
            let (mean, scatter) = robust_mean(&ratios[c])
                .ok_or("no target's ratio of channels is known to within 30 %")?;
            gains[c] = mean.exp();
            disagreement = disagreement.max(scatter);
        }
    }
    let signal = onto(&reference.filter, &grid);
    let seen = Weights::through(Observer::Cie1931, &reference.filter, &grid);
    let whole = Weights::through(Observer::Cie1931, &Filter::none(), &grid);
    let clearest = reference.filter.peak();
    let sample = |glow: &[f64]| -> Option<Sample> {
        let passed = seen.xyz(glow).ok()?;
        let all = whole.xyz(glow).ok()?;
        if passed.y < PASSED * clearest * all.y {
            return None;
        }
        let claimed = match reference.chromaticity {
            ChromaticityKind::ThroughFilter => passed,
            ChromaticityKind::Emission => all,
        };
        let uv = claimed.uv()?;
        let net = std::array::from_fn(|c| {
            let sum: f64 = signal.iter().zip(glow).map(|(w, v)| w[c] * v).sum();
            gains[c] * sum
        });
        Some(Sample {
            net,
            uv: [uv.u, uv.v],
            luminance: Some(claimed.y),
            weight: WORTH / GLOWS as f64,
        })
    };
    let of = |family: &Family| -> Result<Vec<Sample>, &'static str> {
        let found: Vec<Sample> = (1..20 * GLOWS as u64)
            .filter_map(|piece| sample(&family.glow(&grid, laser_nm, piece)))
            .take(GLOWS)
            .collect();
        match found.len() == GLOWS {
            true => Ok(found),
            false => Err("too few of the glows computed with them pass the filter"),
        }
    };
    Ok(Computed {
        samples: of(&USUAL)?,
        trials: of(&STRANGE)?,
        disagreement,
    })
}

/// Glows of one band or two, above the laser's wavelength.
struct Family {
    /// Least and largest width at half maximum in nm, spread evenly in their logarithm.
    width_nm: (f64, f64),
    /// Share of glows with a second band.
    second_band: f64,
}

impl Family {
    /// The glow number `piece`: places, widths and heights fill their ranges evenly (Halton 1960,
    /// Numer. Math. 2:84), which leaves less to chance than as many random ones.
    fn glow(&self, grid: &[f64], laser_nm: f64, piece: u64) -> Vec<f64> {
        let part = |base: u64| radical_inverse(piece, base);
        let lowest = laser_nm.min(600.0);
        let (narrow, broad) = self.width_nm;
        let mut values = vec![0.0; grid.len()];
        let mut add = |place: f64, width: f64, height: f64| {
            let peak = lowest + place * (690.0 - lowest);
            let width = narrow * (broad / narrow).powf(width);
            let height = 0.1 + 0.9 * height;
            for (value, nm) in values.iter_mut().zip(grid) {
                *value += height * (-4.0 * 2_f64.ln() * ((nm - peak) / width).powi(2)).exp();
            }
        };
        add(part(2), part(3), part(13));
        if part(5) < self.second_band {
            add(part(7), part(11), part(17));
        }
        values
    }
}

/// The digits of a whole number in a base, mirrored at the point: 6 is 110 in base 2, so 0.011.
fn radical_inverse(mut number: u64, base: u64) -> f64 {
    let (mut found, mut unit) = (0.0, 1.0);
    while number > 0 {
        unit /= base as f64;
        found += unit * (number % base) as f64;
        number /= base;
    }
    found
}

/// Mean weighted by standard errors beside curves that are right to 1 %, with values beyond two
/// standard deviations weighted down (Huber 1964), and the standard deviation that the errors do
/// not explain.
fn robust_mean(values: &[(f64, f64)]) -> Option<(f64, f64)> {
    if values.is_empty() {
        return None;
    }
    let mut beyond: f64 = 0.01;
    let mut mean = 0.0;
    for round in 0..20 {
        let (mut sum, mut weights, mut squares) = (0.0, 0.0, 0.0);
        for (value, error) in values {
            let sd = error.hypot(beyond);
            let away = (value - mean).abs() / sd;
            let kept = if round > 0 && away > 2.0 {
                2.0 / away
            } else {
                1.0
            };
            sum += kept * value / (sd * sd);
            weights += kept / (sd * sd);
            squares += kept * ((value - mean).powi(2) - error * error) / (sd * sd);
        }
        if round > 0 {
            beyond = (squares / weights).max(0.0).sqrt().max(0.01);
        }
        mean = sum / weights;
    }
    Some((mean, beyond))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn digits_are_mirrored_at_the_point() {
        assert_eq!(radical_inverse(6, 2), 0.375);
        assert!((radical_inverse(5, 3) - 7.0 / 9.0).abs() < 1e-15);
    }

    #[test]
    fn one_mistaken_target_hardly_moves_the_balance() {
        let mut values = vec![(0.20, 0.01); 9];
        values.push((1.5, 0.01));
        let (mean, _) = robust_mean(&values).unwrap();
        assert!((mean - 0.2).abs() < 0.08, "{mean}");
        let (mean, scatter) = robust_mean(&values[..9]).unwrap();
        assert!((mean - 0.2).abs() < 1e-12 && scatter == 0.01);
        // A target without blue says little of blue.
        let (mean, _) = robust_mean(&[(0.0, 0.01), (0.3, 0.3)]).unwrap();
        assert!(mean < 0.005, "{mean}");
    }
}
