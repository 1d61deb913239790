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

use super::mapping::Mapping;
use super::{Noise, RigOption, VirtualRig};
use crate::colorimetry::{Chromaticity, Observer, Weights, Xyz};
use crate::files::nearest_known;
use crate::numeric::normal_tail;
use crate::season::IrradianceLaw;
use crate::signal::{BitDepth, Response};
use crate::spectra::{Sensitivities, Spectrum};
use crate::{Error, Result};
use nalgebra::{Matrix2, Matrix3, Vector2, Vector3};
use serde::Serialize;

/// What all options share: the camera, the patch, the classes that matter.
#[derive(Debug, Clone)]
pub struct ComparisonPlan {
    /// Sensitivities of the channels.
    pub sensitivities: Sensitivities,
    /// Noise of one pixel.
    pub noise: Noise,
    /// Dark level, a share of full scale.
    pub black: [f64; 3],
    /// Response curve.
    pub response: Response,
    /// Bits per channel of the code values.
    pub depth: BitDepth,
    /// Share of full scale that the strongest channel of the brightest class reaches under the
    /// first option at irradiance 1, above 0 to 1: this sets the exposure for all options.
    pub brightest_signal: f64,
    /// Pixels of a patch, at least 1.
    pub pixels: u64,
    /// Leak off the ground as a share of a white target's.
    pub leak_share: f64,
    /// Its standard deviation between patches.
    pub leak_share_sd: f64,
    /// The classes that are worth a walk.
    pub positive: Vec<String>,
}

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
    /// In the order of the table.
    pub options: Vec<OptionPrediction>,
    /// The option whose weakest separation is the largest.
    pub best: Option<String>,
}

/// Predicts and compares options.
///
/// Spectra whose names differ only after a colon (`bone:1`, `bone:2`) are samples of one class;
/// the scatter of three samples or more is part of the class's covariance.
///
/// # Errors
/// A positive class that no spectrum has, options of different classes, nothing beside the
/// positive classes, an exposure or a number of pixels out of range, no light behind the filter of
/// the first option.
pub fn compare_rigs(plan: &ComparisonPlan, options: &[RigOption]) -> Result<RigComparison> {
    let classes = class_names(plan, options)?;
    let gain = exposure(plan, options)?;
    let options: Vec<OptionPrediction> = options
        .iter()
        .map(|option| predict(plan, option, gain, &classes))
        .collect::<Result<_>>()?;
    let best = options
        .iter()
        .filter_map(|o| Some((o.weakest?, &o.option)))
        .reduce(|best, next| if next.0 > best.0 { next } else { best })
        .map(|(_, name)| name.clone());
    Ok(RigComparison { options, best })
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
        let pixel = rig.noise.variance(mean.0[c] - rig.black[c]);
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

impl RigComparison {
    /// What each option records of each class, one row each: `option,laser_nm,class,samples,
    /// r_signal,g_signal,b_signal,r,g,b,clipped,u_true,v_true,u,v,u_sd,v_sd`.
    pub fn predictions_csv(&self) -> Vec<u8> {
        let mut text = String::from(
            "option,laser_nm,class,samples,r_signal,g_signal,b_signal,r,g,b,clipped,u_true,v_true,u,v,u_sd,v_sd\n",
        );
        for option in &self.options {
            for class in &option.classes {
                let sd = class.covariance.map(|m| [m[0][0].sqrt(), m[1][1].sqrt()]);
                let [r, g, b] = class.signal.map(|v| format!("{v:.6}"));
                let [red, green, blue] = class.codes.map(|v| format!("{v:.2}"));
                text.push_str(&format!(
                    "{},{},{},{},{r},{g},{b},{red},{green},{blue},{},{},{},{}\n",
                    quoted(&option.option),
                    option.laser_nm,
                    quoted(&class.class),
                    class.samples,
                    class.clipped,
                    pair(class.true_uv, 5),
                    pair(class.uv, 5),
                    pair(sd, 6),
                ));
            }
        }
        text.into_bytes()
    }

    /// How far the positive classes lie from the others, one row each: `option,laser_nm,condition,
    /// positive,other,distance_uv,mahalanobis,ideal_auc`.
    pub fn separations_csv(&self) -> Vec<u8> {
        let mut text = String::from(
            "option,laser_nm,condition,positive,other,distance_uv,mahalanobis,ideal_auc\n",
        );
        let cell = |value: Option<f64>, decimals: usize| match value {
            Some(value) => format!("{value:.decimals$}"),
            None => String::new(),
        };
        for option in &self.options {
            for pair in &option.separations {
                text.push_str(&format!(
                    "{},{},{},{},{},{},{},{}\n",
                    quoted(&option.option),
                    option.laser_nm,
                    cell(option.condition, 1),
                    quoted(&pair.positive),
                    quoted(&pair.other),
                    cell(pair.distance_uv, 5),
                    cell(pair.mahalanobis, 3),
                    cell(pair.ideal_auc, 5),
                ));
            }
        }
        text.into_bytes()
    }
}

fn pair(values: Option<[f64; 2]>, decimals: usize) -> String {
    match values {
        Some([a, b]) => format!("{a:.decimals$},{b:.decimals$}"),
        None => ",".to_string(),
    }
}

/// A cell of CSV (RFC 4180).
fn quoted(cell: &str) -> String {
    if cell.contains([',', '"', '\n']) {
        format!("\"{}\"", cell.replace('"', "\"\""))
    } else {
        cell.to_string()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::simulation::Draw;
    use crate::spectra::{Filter, NamedSpectrum};

    fn bell(peak: f64, sd: f64) -> Spectrum {
        Spectrum::sampled(400.0, 5.0, 61, |nm| {
            (-0.5 * ((nm - peak) / sd).powi(2)).exp()
        })
    }

    fn plan() -> ComparisonPlan {
        ComparisonPlan {
            sensitivities: Sensitivities::new([
                bell(600.0, 35.0),
                bell(540.0, 35.0),
                bell(465.0, 28.0),
            ]),
            noise: Noise {
                full_scale_electrons: 20_000.0,
                read_electrons: 8.0,
            },
            black: [0.004; 3],
            response: Response::Linear,
            depth: BitDepth::new(16).unwrap(),
            brightest_signal: 0.5,
            pixels: 100,
            leak_share: 0.35,
            leak_share_sd: 0.0,
            positive: vec!["bone".to_string()],
        }
    }

    fn option(name: &str, glows: &[(&str, f64, f64)]) -> RigOption {
        RigOption {
            name: name.to_string(),
            laser_nm: 450.0,
            filter: Filter::long_pass(480.0),
            irradiance: 1.0,
            laser_over_glow: 0.0,
            spectra: glows
                .iter()
                .map(|(name, peak, height)| NamedSpectrum {
                    name: name.to_string(),
                    spectrum: bell(*peak, 35.0).scaled(*height),
                })
                .collect(),
        }
    }

    const GLOWS: [(&str, f64, f64); 3] = [
        ("bone", 545.0, 1.0),
        ("calcite", 610.0, 1.5),
        ("lichen", 555.0, 0.4),
    ];

    #[test]
    fn the_exposure_puts_the_brightest_class_where_it_was_asked() {
        let found = compare_rigs(&plan(), &[option("a", &GLOWS)]).unwrap();
        let classes = &found.options[0].classes;
        let strongest = classes.iter().flat_map(|c| c.signal).fold(0.0, f64::max);
        assert!((strongest - 0.5).abs() < 1e-12);
        let calcite = &classes[1];
        assert!((calcite.codes[0] - 65_535.0 * (calcite.signal[0] + 0.004)).abs() < 1e-6);
        assert!(!calcite.clipped);
    }

    #[test]
    fn stated_covariance_is_that_of_simulated_patches() {
        let plan = plan();
        let option = option("a", &GLOWS);
        let found = compare_rigs(&plan, std::slice::from_ref(&option)).unwrap();
        let lichen = &found.options[0].classes[2];
        let rig = VirtualRig {
            sensitivities: plan.sensitivities.clone(),
            filter: option.filter.clone(),
            gain: exposure(&plan, std::slice::from_ref(&option)).unwrap(),
            black: plan.black,
            leak: [0.0; 3],
            irradiance: IrradianceLaw::None,
            height_m: 1.0,
            noise: plan.noise,
            response: plan.response.clone(),
            depth: plan.depth,
        };
        let glows = emitted(&option);
        let mapping = Mapping::fit(&rig, glows.iter().map(|(_, glow)| glow));
        let mean = rig.mean(rig.glow(&glows[2].1), 0.0, 1.0, 1.0);
        let mut draw = Draw::new(11, "covariance of patches", 0);
        let hues: Vec<Chromaticity> = (0..3000)
            .map(|_| {
                let patch = rig.patch(mean, 0.0, plan.pixels, &mut draw).mean;
                let net = std::array::from_fn(|c| patch[c] / 65_535.0 - rig.black[c]);
                mapping.uv(net).unwrap()
            })
            .collect();
        let simulated = scatter(&hues);
        let stated = lichen.covariance.unwrap();
        for (i, row) in stated.iter().enumerate() {
            // Four standard errors of a variance from 3000 patches.
            assert!((row[i] / simulated[(i, i)] - 1.0).abs() < 0.105);
        }
        let correlation = |m: [[f64; 2]; 2]| m[0][1] / (m[0][0] * m[1][1]).sqrt();
        let simulated = [
            [simulated[(0, 0)], simulated[(0, 1)]],
            [simulated[(1, 0)], simulated[(1, 1)]],
        ];
        assert!((correlation(stated) - correlation(simulated)).abs() < 0.07);
    }

    #[test]
    fn the_mapping_states_about_the_true_color() {
        let found = compare_rigs(&plan(), &[option("a", &GLOWS)]).unwrap();
        for class in &found.options[0].classes {
            let (stated, truth) = (class.uv.unwrap(), class.true_uv.unwrap());
            assert!((stated[0] - truth[0]).hypot(stated[1] - truth[1]) < 0.01);
        }
    }

    #[test]
    fn more_light_separates_and_a_leak_blurs() {
        let mut plan = plan();
        plan.leak_share_sd = 0.12;
        let plain = option("plain", &GLOWS);
        let bright = RigOption {
            name: "bright".to_string(),
            irradiance: 1.9,
            ..plain.clone()
        };
        let leaky = RigOption {
            name: "leaky".to_string(),
            filter: Filter::new(Spectrum::sampled(400.0, 5.0, 61, |nm| {
                if nm < 480.0 { 1e-3 } else { 1.0 }
            }))
            .unwrap(),
            laser_over_glow: 200.0,
            ..plain.clone()
        };
        let found = compare_rigs(&plan, &[plain, bright, leaky]).unwrap();
        let [plain, bright, leaky] = [0, 1, 2].map(|i| found.options[i].weakest.unwrap());
        assert!(
            bright > plain * 1.2 && leaky < 0.8 * plain,
            "{plain} {bright} {leaky}"
        );
        assert_eq!(found.best.as_deref(), Some("bright"));
        assert!(found.options[2].leak_over_dimmest.unwrap() > 0.1);
    }

    #[test]
    fn scatter_among_samples_of_a_class_counts() {
        let samples = [
            ("bone:1", 541.0, 1.0),
            ("bone:2", 545.0, 1.0),
            ("bone:3", 549.0, 1.0),
            ("lichen", 555.0, 0.4),
        ];
        let one = [("bone", 545.0, 1.0), ("lichen", 555.0, 0.4)];
        let options = [option("scattered", &samples), option("alone", &one)];
        let found = compare_rigs(&plan(), &options).unwrap();
        assert_eq!(found.options[0].classes[0].samples, 3);
        assert!(found.options[0].weakest < found.options[1].weakest);
    }

    #[test]
    fn a_class_that_no_filter_passes_has_no_hue_and_no_distance() {
        let mut blue = option("deep", &[("bone", 545.0, 1.0), ("blue", 410.0, 1.0)]);
        blue.spectra[1].spectrum = Spectrum::sampled(400.0, 5.0, 5, |_| 1.0);
        let found = compare_rigs(&plan(), &[blue]).unwrap();
        let option = &found.options[0];
        assert_eq!(option.classes[1].uv, None);
        assert_eq!(option.weakest, None);
        let text = String::from_utf8(found.separations_csv()).unwrap();
        assert!(text.ends_with("bone,blue,,,\n"), "{text}");
    }

    #[test]
    fn tables_hold_a_row_for_each_class_and_each_pair() {
        let found = compare_rigs(&plan(), &[option("a, b", &GLOWS)]).unwrap();
        let predictions = String::from_utf8(found.predictions_csv()).unwrap();
        let columns = predictions.lines().next().unwrap().split(',').count();
        assert_eq!(predictions.lines().count(), 4);
        let line = predictions.lines().nth(1).unwrap();
        assert!(line.starts_with("\"a, b\",450,bone,1,"), "{line}");
        assert_eq!(line.split(',').count(), columns + 1);
        let separations = String::from_utf8(found.separations_csv()).unwrap();
        assert_eq!(separations.lines().count(), 3);
    }

    #[test]
    fn comparisons_that_make_no_sense_are_refused() {
        let complaint = |plan: &ComparisonPlan, options: &[RigOption]| {
            compare_rigs(plan, options).unwrap_err().to_string()
        };
        let mut plan = plan();
        plan.positive = vec!["bones".to_string()];
        let text = complaint(&plan, &[option("a", &GLOWS)]);
        assert!(text.contains("did you mean \"bone\""), "{text}");
        plan.positive = vec!["bone".to_string()];
        let text = complaint(&plan, &[option("a", &GLOWS), option("b", &GLOWS[..2])]);
        assert!(text.contains("the same classes"), "{text}");
        let text = complaint(&plan, &[option("a", &GLOWS[..1])]);
        assert!(text.contains("one other"), "{text}");
        let mut dark = option("a", &GLOWS);
        dark.laser_nm = 700.0;
        let text = complaint(&plan, &[dark]);
        assert!(text.contains("no light"), "{text}");
        plan.brightest_signal = 0.0;
        let text = complaint(&plan, &[option("a", &GLOWS)]);
        assert!(text.contains("above 0 to 1"), "{text}");
    }
}
