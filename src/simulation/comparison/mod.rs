//! Which laser and filter tells the positive classes from the others.
//!
//! For every option the camera's signal of every class is predicted, mapped to CIE 1976 u', v' of
//! the light behind the filter by the matrix that a good calibration would find, and given the
//! covariance that photon noise, read noise, rounding and the leak's share leave (JCGM 100:2008,
//! first order). The distance between two classes is that of Mahalanobis with the mean of the two
//! covariances: two equal normal classes at distance d are told apart by an AUC of
//! Phi(d / sqrt 2) (Green and Swets 1966).
//!
//! Limits: the calibration's own lack of fit is left out, because all patches share it; so is the
//! scatter among samples of one class, unless the spectra hold several samples of it.

mod mapping;
mod options;
mod plan;
mod ranking;
mod tables;
#[cfg(test)]
mod tests;

pub use options::{RigOption, read_options};
pub use plan::ComparisonPlan;
pub use ranking::RunnerUp;

use super::VirtualRig;
use crate::colorimetry::{Chromaticity, Observer, Weights, Xyz};
use crate::files::nearest_known;
use crate::numeric::normal_tail;
use crate::season::IrradianceLaw;
use crate::spectra::Spectrum;
use crate::{Error, Result};
use mapping::Mapping;
use nalgebra::{Matrix2, Matrix3, Vector2, Vector3};
use serde::Serialize;

/// What the rig would record of one class.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ClassPrediction {
    /// The class.
    pub class: String,
    /// Samples of it among the spectra.
    pub samples: usize,
    /// Mean linear signal net of dark and leak, shares of full scale.
    pub signal: [f64; 3],
    /// Mean code values, dark and leak included.
    pub codes: [f64; 3],
    /// Whether a channel is clipped.
    pub clipped: bool,
    /// u', v' of the light behind the filter; absent where none passes.
    pub true_uv: Option<[f64; 2]>,
    /// u', v' that a calibrated rig would state; absent where there is no hue.
    pub uv: Option<[f64; 2]>,
    /// Covariance of the stated u', v' of a patch, scatter among samples included.
    pub covariance: Option<[[f64; 2]; 2]>,
}

/// How far a positive class lies from another.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Separation {
    /// The positive class.
    pub positive: String,
    /// The other class.
    pub other: String,
    /// Distance in u', v'; absent where one of them has no hue.
    pub distance_uv: Option<f64>,
    /// Mahalanobis distance.
    pub mahalanobis: Option<f64>,
    /// Area under the ROC curve of the best rule on color, were both classes normal.
    pub ideal_auc: Option<f64>,
}

/// What one laser and filter would give.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct OptionPrediction {
    /// The option.
    pub option: String,
    /// Wavelength of the laser in nm.
    pub laser_nm: f64,
    /// Condition number of the camera's signals behind this filter: large where the channels no
    /// longer tell three things (blue behind a steep filter), absent where they cannot at all.
    pub condition: Option<f64>,
    /// Leak off a white target over the strongest channel of the dimmest class.
    pub leak_over_dimmest: Option<f64>,
    /// The classes in the order of the spectra.
    pub classes: Vec<ClassPrediction>,
    /// Each positive class against each other class.
    pub separations: Vec<Separation>,
    /// The smallest Mahalanobis distance of the separations; absent where one is undefined.
    pub weakest: Option<f64>,
}

/// The options side by side.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct RigComparison {
    /// Best first: the option whose weakest separation is the largest; those without one come last.
    pub options: Vec<OptionPrediction>,
    /// The first of them; absent where none has a weakest separation.
    pub best: Option<String>,
    /// The second, and whether it is really worse.
    pub runner_up: Option<RunnerUp>,
}

/// Predicts and compares options.
///
/// Spectra whose names differ only after a colon (`bone:1`, `bone:2`) are samples of one class;
/// the scatter of three samples or more is part of the class's covariance.
///
/// # Errors
/// A positive class that no spectrum has, options of different classes, nothing beside the
/// positive classes, an exposure, a noise or a number of pixels out of range, no light behind the filter of
/// the first option.
pub fn compare_rigs(plan: &ComparisonPlan, options: &[RigOption]) -> Result<RigComparison> {
    let mut found = predictions(plan, options)?;
    ranking::sort(&mut found);
    let best = found.first().filter(|o| o.weakest.is_some());
    Ok(RigComparison {
        best: best.map(|o| o.option.clone()),
        runner_up: ranking::runner_up(plan, options, &found)?,
        options: found,
    })
}

/// What each option gives, in the order of the options.
fn predictions(plan: &ComparisonPlan, options: &[RigOption]) -> Result<Vec<OptionPrediction>> {
    let classes = class_names(plan, options)?;
    let gain = exposure(plan, options)?;
    options
        .iter()
        .map(|option| predict(plan, option, gain, &classes))
        .collect()
}

/// The class of a spectrum: its name up to a colon.
fn class_of(name: &str) -> &str {
    name.split(':').next().unwrap_or(name).trim()
}

fn class_names(plan: &ComparisonPlan, options: &[RigOption]) -> Result<Vec<String>> {
    let of = |option: &RigOption| {
        let mut names: Vec<String> = Vec::new();
        for spectrum in &option.spectra {
            let class = class_of(&spectrum.name);
            if !names.iter().any(|n| n == class) {
                names.push(class.to_string());
            }
        }
        names
    };
    let Some(first) = options.first() else {
        return Err(Error::input("found no option to compare"));
    };
    let names = of(first);
    for option in options {
        let mut own = of(option);
        own.sort();
        let mut expected = names.clone();
        expected.sort();
        if own != expected {
            return Err(Error::input(format!(
                "option \"{}\" has spectra of {}, expected {} as in option \"{}\"",
                option.name,
                own.join(", "),
                expected.join(", "),
                first.name
            ))
            .remedy("give every option the same classes"));
        }
    }
    for positive in &plan.positive {
        if !names.contains(positive) {
            let near = nearest_known(positive, names.iter().map(String::as_str));
            return Err(
                Error::input(format!("no spectrum is of the class \"{positive}\"")).remedy(
                    match near {
                        Some(near) => format!("did you mean \"{near}\"?"),
                        None => format!("the classes are {}", names.join(", ")),
                    },
                ),
            );
        }
    }
    if plan.positive.is_empty() || names.len() == plan.positive.len() {
        return Err(Error::too_little(
            "a comparison needs at least one positive class and one other",
        ));
    }
    Ok(names)
}

/// What glows under the option's laser: nothing at or below its wavelength.
fn emitted(option: &RigOption) -> Vec<(&str, Spectrum)> {
    option
        .spectra
        .iter()
        .map(|named| {
            let grid = named.spectrum.wavelengths();
            let values = grid
                .iter()
                .zip(named.spectrum.values())
                .map(|(nm, value)| if *nm > option.laser_nm { *value } else { 0.0 });
            let glow = Spectrum::new(grid.to_vec(), values.collect())
                .expect("the wavelengths are those of a spectrum");
            (class_of(&named.name), glow)
        })
        .collect()
}

/// The gain that brings the brightest class to the stated signal under the first option.
fn exposure(plan: &ComparisonPlan, options: &[RigOption]) -> Result<f64> {
    if !(plan.brightest_signal > 0.0 && plan.brightest_signal <= 1.0) {
        return Err(Error::input(format!(
            "found a brightest signal of {}, expected a share of full scale above 0 to 1",
            plan.brightest_signal
        )));
    }
    for noise in plan.noise {
        let [full, read] = [noise.full_scale_electrons, noise.read_electrons];
        if !(full > 0.0 && full.is_finite() && read >= 0.0 && read.is_finite()) {
            return Err(Error::input(format!(
                "found {full} electrons at full scale and a read noise of {read}, expected numbers \
                 above 0 and of at least 0"
            )));
        }
    }
    if plan.pixels == 0 {
        return Err(Error::input(
            "found a patch of 0 pixels, expected at least 1",
        ));
    }
    let first = &options[0];
    let strongest = emitted(first)
        .iter()
        .flat_map(|(_, glow)| plan.sensitivities.response(&first.filter, glow))
        .fold(0.0, f64::max);
    if strongest <= 0.0 {
        return Err(Error::input(format!(
            "no light of any class passes the filter of option \"{}\"",
            first.name
        ))
        .remedy("put an option first that lets some light pass"));
    }
    Ok(plan.brightest_signal / strongest / first.irradiance)
}

fn predict(
    plan: &ComparisonPlan,
    option: &RigOption,
    gain: f64,
    classes: &[String],
) -> Result<OptionPrediction> {
    let glows = emitted(option);
    let total = |glow: &Spectrum| {
        let steps = glow.wavelengths().windows(2).zip(glow.values().windows(2));
        steps.fold(0.0, |sum, (nm, v)| {
            sum + 0.5 * (nm[1] - nm[0]) * (v[0] + v[1])
        })
    };
    let brightest = glows
        .iter()
        .map(|(_, glow)| total(glow))
        .fold(0.0, f64::max);
    let passed = option.filter.transmission(option.laser_nm);
    let scale = gain * option.irradiance;
    let at_laser = plan.sensitivities.at(option.laser_nm);
    let leak = at_laser.map(|s| scale * option.laser_over_glow * brightest * passed * s.max(0.0));
    let rig = VirtualRig {
        sensitivities: plan.sensitivities.clone(),
        filter: option.filter.clone(),
        gain: scale,
        black: plan.black,
        leak,
        irradiance: IrradianceLaw::None,
        height_m: 1.0,
        noise: plan.noise,
        response: plan.response.clone(),
        depth: plan.depth,
    };
    let mapping = Mapping::fit(&rig, glows.iter().map(|(_, glow)| glow));
    let predictions: Vec<ClassPrediction> = classes
        .iter()
        .map(|class| {
            let own: Vec<&Spectrum> = glows
                .iter()
                .filter(|(name, _)| name == class)
                .map(|(_, glow)| glow)
                .collect();
            class_prediction(plan, &rig, &mapping, class, &own)
        })
        .collect::<Result<_>>()?;
    let mut separations = Vec::new();
    for one in predictions
        .iter()
        .filter(|c| plan.positive.contains(&c.class))
    {
        for other in predictions
            .iter()
            .filter(|c| !plan.positive.contains(&c.class))
        {
            separations.push(separation(one, other));
        }
    }
    let weakest = separations
        .iter()
        .map(|s| s.mahalanobis)
        .collect::<Option<Vec<f64>>>()
        .and_then(|all| all.into_iter().reduce(f64::min));
    let dimmest = predictions
        .iter()
        .map(|c| c.signal.into_iter().fold(0.0, f64::max))
        .fold(f64::INFINITY, f64::min);
    let leaked = leak.into_iter().fold(0.0, f64::max);
    Ok(OptionPrediction {
        option: option.name.clone(),
        laser_nm: option.laser_nm,
        condition: mapping.condition,
        leak_over_dimmest: (dimmest > 0.0).then(|| leaked / dimmest),
        classes: predictions,
        separations,
        weakest,
    })
}

fn class_prediction(
    plan: &ComparisonPlan,
    rig: &VirtualRig,
    mapping: &Mapping,
    class: &str,
    samples: &[&Spectrum],
) -> Result<ClassPrediction> {
    let count = samples.len() as f64;
    let signals: Vec<[f64; 3]> = samples.iter().map(|glow| rig.glow(glow)).collect();
    let signal = [0, 1, 2].map(|c| signals.iter().map(|s| s[c]).sum::<f64>() / count);
    let mut light = Xyz::default();
    for glow in samples {
        let weights = Weights::through(Observer::Cie1931, &rig.filter, glow.wavelengths());
        let xyz = weights.xyz(glow.values())?;
        light = Xyz::new(light.x + xyz.x, light.y + xyz.y, light.z + xyz.z);
    }
    let mean = rig.mean(signal, plan.leak_share, 1.0, 1.0);
    let codes = rig.response.codes(mean, rig.depth).0;
    let noise = Matrix3::from_diagonal(&Vector3::from_fn(|c, _| {
        let pixel = rig.noise[c].variance(mean.0[c] - rig.black[c]);
        let rounding = rig.response.code_width(c, codes[c], rig.depth).powi(2) / 12.0;
        (pixel + rounding) / plan.pixels as f64
    }));
    let leak = Vector3::from(rig.leak) * plan.leak_share_sd;
    let covariance = mapping
        .jacobian(signal)
        .map(|j| j * (noise + leak * leak.transpose()) * j.transpose());
    let hues: Vec<Chromaticity> = signals.iter().filter_map(|s| mapping.uv(*s)).collect();
    let covariance = match covariance {
        Some(covariance) if hues.len() >= 3 => Some(covariance + scatter(&hues)),
        other => other,
    };
    Ok(ClassPrediction {
        class: class.to_string(),
        samples: samples.len(),
        signal,
        codes,
        clipped: (0..3).any(|c| codes[c] >= rig.response.largest_code(c, rig.depth)),
        true_uv: light.uv().map(|c| [c.u, c.v]),
        uv: mapping.uv(signal).map(|c| [c.u, c.v]),
        covariance: covariance.map(|m| [[m[(0, 0)], m[(0, 1)]], [m[(1, 0)], m[(1, 1)]]]),
    })
}

/// Sample covariance of chromaticities.
fn scatter(hues: &[Chromaticity]) -> Matrix2<f64> {
    let count = hues.len() as f64;
    let mean = hues
        .iter()
        .fold(Vector2::zeros(), |m, h| m + Vector2::new(h.u, h.v))
        / count;
    hues.iter().fold(Matrix2::zeros(), |sum, h| {
        let away = Vector2::new(h.u, h.v) - mean;
        sum + away * away.transpose()
    }) / (count - 1.0)
}

fn separation(one: &ClassPrediction, other: &ClassPrediction) -> Separation {
    let difference = one
        .uv
        .zip(other.uv)
        .map(|(a, b)| Vector2::new(a[0] - b[0], a[1] - b[1]));
    let pooled = one.covariance.zip(other.covariance).map(|(a, b)| {
        0.5 * Matrix2::new(
            a[0][0] + b[0][0],
            a[0][1] + b[0][1],
            a[1][0] + b[1][0],
            a[1][1] + b[1][1],
        )
    });
    let mahalanobis = difference.zip(pooled).and_then(|(difference, pooled)| {
        let inverse = pooled.try_inverse()?;
        Some(
            (difference.transpose() * inverse * difference)[0]
                .max(0.0)
                .sqrt(),
        )
    });
    Separation {
        positive: one.class.clone(),
        other: other.class.clone(),
        distance_uv: difference.map(|d| d.norm()),
        mahalanobis,
        ideal_auc: mahalanobis.map(|d| 1.0 - normal_tail(d / std::f64::consts::SQRT_2)),
    }
}
