//! The calibration itself: from a season's captures and reference to its [`Rig`].

mod checks;
mod responses;

use self::checks::{EXCHANGED, condition, dimmest_share};
use super::captures::Captures;
use super::choice::{self, Candidate, Judged, distance};
use super::curves::{self, Computed};
use super::fit::{Form, Sample, direction_of};
use super::flat;
use super::ground;
use super::levels::{self, Grain, Reduction};
use super::luminance::Stated;
use super::mapping::{Coefficients, Mapping, MappingKind};
use super::noise;
use super::outliers::{self, LeftOut};
use super::reference::Reference;
use super::rig::*;
use super::targets::{self, Measured};
use super::uncertainty;
use crate::colorimetry::{Xyz, ciede2000};
use crate::season::{MappingChoice, Season};
use crate::signal::{BitDepth, Response, srgb};
use crate::spectra::Sensitivities;
use crate::{Error, Result};
use nalgebra::Matrix2;

/// Name and version of `rig.json`.
pub const FORMAT: &str = "boneglow-rig/1";

/// Pull of the roots' coefficients towards the matrix where targets stand alone: in trials with
/// ten targets the value of least error between 1e-4 and 1e-2.
const RIDGE: f64 = 1e-3;
/// ... and where computed glows support them.
const RIDGE_COMPUTED: f64 = 1e-6;
/// Standard deviation in u'v' that stands for lack of fit while targets are weighted.
const TYPICAL_UV: f64 = 0.003;

/// Calibrates a season's rig, or assumes it where the season says so.
///
/// # Errors
/// Whatever is wrong with the season's tables, each with file, line or key; targets without
/// captures and the reverse; fewer targets than the mapping needs; targets of one hue.
pub fn calibrate(season: &Season) -> Result<Rig> {
    let plan = &season.plan;
    let depth = BitDepth::new(plan.rig.bit_depth)?;
    let response = Response::read(&plan.rig.response, season.folder(), depth)
        .map_err(|e| e.at(season.file()))?;
    let Some(captures_path) = &plan.calibration.captures else {
        return Rig::assumed_srgb(plan, response);
    };
    let reference = Reference::read(season)?;
    let camera = match &plan.rig.sensitivities {
        Some(path) => {
            let read = Sensitivities::read(&season.resolve(path));
            Some(read.map_err(|e| e.named_by("rig.sensitivities"))?)
        }
        None => None,
    };
    let path = season.resolve(captures_path);
    let captures = Captures::read(&path, season.folder(), &response, depth)?;
    Fitting {
        season,
        depth,
        response,
        reference,
        camera,
        captures,
        warnings: Vec::new(),
    }
    .run()
    .map_err(|e| e.at(&path))
}

struct Fitting<'a> {
    season: &'a Season,
    depth: BitDepth,
    response: Response,
    reference: Reference,
    camera: Option<Sensitivities>,
    captures: Captures,
    warnings: Vec<String>,
}

/// The mappings that were tried, what they were tried on and how they did, and which is taken.
struct Choice<'b> {
    candidates: Vec<Candidate<'b>>,
    samples: Vec<Sample>,
    judged: Vec<Option<Judged>>,
    chosen: usize,
}

/// What the captures amount to before a mapping is fitted.
struct Signals {
    black: Black,
    steps: Vec<StepResult>,
    noise: Noise,
    noise_points: Vec<NoisePoint>,
    exposure: Exposure,
    flat: Option<flat::Flat>,
    leak: Leak,
    white: Option<WhiteRecord>,
    measured: Vec<Measured>,
}

impl Fitting<'_> {
    fn signals(&mut self) -> Result<Signals> {
        let calibration = &self.season.plan.calibration;
        self.warnings.append(&mut self.captures.warnings);
        let black = levels::dark(
            &self.captures,
            &self.response,
            self.depth,
            &mut self.warnings,
        );
        let steps = self.check_steps(&black)?;
        let (noise, noise_points) =
            noise::fit(&self.captures, black.signal, &self.response, self.depth);
        if !noise.measured {
            self.warnings.push(
                "Noise was not measured: too few captures give the standard deviation of their \
                 pixels (r_sd, g_sd, b_sd and pixels, or a picture). Stated uncertainties hold the \
                 rounding of code values only."
                    .to_string(),
            );
        }
        let first = self.captures.target.first().map(|s| s.reading.capture);
        let mut reduction = Reduction {
            black,
            exposure: first.map_or_else(Exposure::default, |c| Exposure {
                exposure_s: c.exposure_s,
                gain_db: c.gain_db,
            }),
            irradiance: calibration.irradiance,
            height_m: calibration.luminance_height_m,
            flat: None,
        };
        let exposure = reduction.exposure;
        let flat = flat::profile(&self.captures.flat, &reduction, &mut self.warnings)?;
        reduction.flat = flat.as_ref();
        let grain = Grain {
            noise: &noise,
            black: &black,
            response: &self.response,
            depth: self.depth,
        };
        let (mut leak, white) = levels::leak(
            &self.captures,
            &reduction,
            grain,
            calibration,
            &mut self.warnings,
        );
        ground::estimate(
            &self.captures,
            &reduction,
            grain,
            &mut leak,
            &mut self.warnings,
        );
        let measured = targets::measure(
            &self.captures,
            &self.reference,
            &reduction,
            &leak,
            grain,
            &mut self.warnings,
        )?;
        leak.share_of_dimmest = dimmest_share(&leak, &measured);
        Ok(Signals {
            black,
            steps,
            noise,
            noise_points,
            exposure,
            flat,
            leak,
            white,
            measured,
        })
    }

    /// Judges the candidates on the targets and chooses one.
    fn choice<'b>(
        &self,
        measured: &[Measured],
        channels: [bool; 3],
        computed: Option<&'b Computed>,
    ) -> Result<Choice<'b>> {
        let candidates = self.candidates(measured.len(), channels, computed)?;
        let samples = self.weighted(measured, channels)?;
        let judged: Vec<Option<Judged>> = candidates
            .iter()
            .map(|c| choice::judge(c, &samples))
            .collect();
        let chosen = choice::choose(&candidates, &judged)
            .filter(|at| judged[*at].is_some())
            .ok_or_else(undetermined)?;
        Ok(Choice {
            candidates,
            samples,
            judged,
            chosen,
        })
    }

    fn run(mut self) -> Result<Rig> {
        let calibration = &self.season.plan.calibration;
        let Signals {
            black,
            steps,
            noise,
            noise_points,
            exposure,
            flat,
            leak,
            white,
            measured,
        } = self.signals()?;
        self.check_hues(&measured)?;
        let channels = self.channels(&measured)?;
        let computed = self.computed(&measured, channels);
        let Choice {
            candidates,
            samples,
            judged,
            chosen,
        } = self.choice(&measured, channels, computed.as_ref())?;
        let results = choice::results(&candidates, &judged, chosen);
        let candidate = &candidates[chosen];
        let fit = judged[chosen].as_ref().ok_or_else(undetermined)?;
        if let Some(computed) = &computed {
            self.tell_computed(computed.disagreement, candidate);
            if self.agrees_exchanged(computed.disagreement, &measured, channels) {
                self.warnings.push(EXCHANGED.to_string());
            }
        }
        self.check_response(&steps, fit);
        let luminance_at = self.luminance_target(&measured, candidate, &fit.coefficients)?;
        let replicates = uncertainty::replicates(
            candidate,
            &samples,
            &fit.coefficients,
            measured[luminance_at].net,
        );
        let mut repeatability = Vec::with_capacity(measured.len());
        let mut explained = Vec::with_capacity(measured.len());
        for m in &measured {
            let of = |net| uncertainty::color(candidate, &fit.coefficients, net);
            let color = of(m.net).ok_or_else(undetermined)?;
            let own = uncertainty::by_steps(of, m.net, &m.steps).unwrap_or_else(Matrix2::zeros);
            let center = [color[0], color[1]];
            let calibration = uncertainty::of_replicates(candidate, &replicates, center, m.net);
            repeatability.push(own);
            explained.push(own + calibration);
        }
        let of_targets = uncertainty::lack_of_fit_of_targets(fit, &samples, &explained);
        let y_of = |m: &Measured| {
            uncertainty::color(candidate, &fit.coefficients, m.net).map_or(f64::NAN, |c| c[2])
        };
        let mapped: Vec<f64> = measured.iter().map(y_of).collect();
        let stated = Stated::of(&self.reference, &measured, &mapped);
        let (scale, stated_targets) =
            self.luminance_scale(&stated, &measured, &mapped, luminance_at);
        let luminances: Vec<f64> = mapped.iter().map(|y| scale * y).collect();
        self.tell_outlying(&stated, &measured);
        let leverages = self.leverages(candidate, &samples, &fit.coefficients);
        let plan = &self.season.plan;
        let mut rig = Rig {
            rig: plan.rig.name.clone(),
            laser_nm: plan.rig.laser_nm,
            filter_cut_on_nm: plan.rig.filter_cut_on_nm,
            calibrated: true,
            passed: false,
            chromaticity: self.reference.chromaticity,
            response: self.response.clone(),
            bit_depth: self.depth,
            mapping: Mapping {
                kind: candidate.form.kind,
                coefficients: fit.coefficients.clone(),
                channels,
            },
            black,
            leak,
            white_point: srgb::WHITE_XYZ,
            noise,
            luminance: LuminanceScale {
                target: self
                    .is_relative(stated_targets)
                    .then(|| self.name(&measured[luminance_at]).to_string()),
                stated_targets,
                height_m: calibration.luminance_height_m,
                irradiance: calibration.irradiance,
                scale,
                lack_of_fit: stated.scatter().unwrap_or_else(|| {
                    uncertainty::luminance_lack(candidate, fit, &measured, luminance_at)
                }),
            },
            exposure,
            flat,
            uncertainty: uncertainty::of_mapping(
                candidate,
                &fit.coefficients,
                replicates,
                of_targets,
            ),
            detection: Detection::wanted(plan),
            errors: None,
            targets: Vec::new(),
            white,
            candidates: results,
            condition_number: condition(&measured, channels),
            noise_points,
            steps,
            warnings: Vec::new(),
        };
        let left_out: Vec<LeftOut> = (0..measured.len())
            .map(|i| LeftOut {
                distance: fit.errors[i],
                own_sd: repeatability[i].trace().max(0.0).sqrt(),
                leverage: leverages[i],
            })
            .collect();
        let chances = outliers::chances(&left_out);
        let brightest = luminances.iter().copied().fold(0.0, f64::max);
        for (i, m) in measured.iter().enumerate() {
            let of = |net| uncertainty::color(candidate, &fit.coefficients, net);
            let color = of(m.net).ok_or_else(undetermined)?;
            rig.targets.push(TargetResult {
                target: self.name(m).to_string(),
                reference_uv: samples[i].uv,
                measured_uv: [color[0], color[1]],
                left_out_uv: fit.left_out[i],
                chance_by_scatter: chances.as_ref().map(|c| c[i][0]),
                chance: chances.as_ref().map(|c| c[i][1]),
                covariance: self.covariance(&rig, m, color, &repeatability[i]),
                repeatability: [
                    [repeatability[i][(0, 0)], repeatability[i][(0, 1)]],
                    [repeatability[i][(1, 0)], repeatability[i][(1, 1)]],
                ],
                log_luminance: luminances[i].log10(),
                de00: color_difference(
                    samples[i].uv,
                    [color[0], color[1]],
                    luminances[i] / brightest,
                ),
                leverage: leverages[i],
                captures: m.captures,
                net_signal: m.net,
                signal_sd: [m.steps[0][0], m.steps[1][1], m.steps[2][2]],
            });
        }
        let errors = errors_of(&rig.targets, &fit.errors);
        rig.passed = errors.cross_validated_mean_uv <= calibration.max_error_uv;
        rig.errors = Some(errors);
        rig.detection = rig.detection_limits();
        self.ask_about_filter();
        self.tell_of_curves();
        self.tell(&rig);
        rig.warnings = self.warnings;
        Ok(rig)
    }

    /// Glows computed from the camera's curves, where they are given and of use; if not, it is said why.
    fn computed(&mut self, measured: &[Measured], channels: [bool; 3]) -> Option<Computed> {
        let laser = self.season.plan.rig.laser_nm;
        let camera = self.camera.as_ref()?;
        let found = curves::compute(&self.reference, camera, measured, laser, channels);
        let untold = |why| format!("The camera's curves were not used: {why}.");
        found.map_err(|why| self.warnings.push(untold(why))).ok()
    }

    fn name(&self, measured: &Measured) -> &str {
        &self.reference.targets[measured.reference].name
    }

    fn candidates<'b>(
        &self,
        targets: usize,
        channels: [bool; 3],
        computed: Option<&'b Computed>,
    ) -> Result<Vec<Candidate<'b>>> {
        let wanted = match self.season.plan.calibration.mapping {
            MappingChoice::Matrix => &choice::KINDS[..1],
            MappingChoice::RootPolynomial => &choice::KINDS[1..],
            MappingChoice::Auto => &choice::KINDS[..],
        };
        let mut candidates = Vec::new();
        let mut fewest = usize::MAX;
        for &kind in wanted {
            let form = |ridge: f64| Form {
                kind,
                channels,
                ridge: match kind {
                    MappingKind::Matrix => 0.0,
                    MappingKind::RootPolynomial => ridge,
                },
            };
            // One more, so that each can be left out.
            let needed = form(RIDGE).fewest_targets() + 1;
            fewest = fewest.min(needed);
            if targets >= needed {
                candidates.push(Candidate {
                    form: form(RIDGE),
                    computed: &[],
                    trials: &[],
                });
            }
            if let Some(computed) = computed.filter(|_| targets >= 4) {
                candidates.push(Candidate {
                    form: form(RIDGE_COMPUTED),
                    computed: &computed.samples,
                    trials: &computed.trials,
                });
            }
        }
        if candidates.is_empty() {
            return Err(Error::too_little(format!(
                "found {targets} targets, expected at least {fewest}: each gives two numbers, the \
                 mapping has {} free coefficients, and one target must be left out to test it",
                2 * (fewest - 1)
            ))
            .key("calibration.mapping")
            .remedy("capture more targets, or set mapping to \"matrix\""));
        }
        Ok(candidates)
    }

    /// Samples weighted by what noise and leak leave uncertain in u'v' beside a typical lack of
    /// fit, the mean weight 1.
    fn weighted(&self, measured: &[Measured], channels: [bool; 3]) -> Result<Vec<Sample>> {
        let mut samples: Vec<Sample> = measured
            .iter()
            .map(|m| Sample {
                net: m.net,
                uv: self.reference.targets[m.reference].uv,
                luminance: None,
                weight: 1.0,
            })
            .collect();
        let rough = Candidate {
            form: Form {
                kind: MappingKind::Matrix,
                channels,
                ridge: 1e-6,
            },
            computed: &[],
            trials: &[],
        };
        let Some(coefficients) = rough.fit(&samples, None) else {
            return Ok(samples);
        };
        for (sample, m) in samples.iter_mut().zip(measured) {
            let of = |net| uncertainty::color(&rough, &coefficients, net);
            let noise = uncertainty::by_steps(of, m.net, &m.steps)
                .map_or(0.01, |covariance| 0.5 * covariance.trace());
            sample.weight = 1.0 / (noise + TYPICAL_UV * TYPICAL_UV);
        }
        let mean = samples.iter().map(|s| s.weight).sum::<f64>() / samples.len() as f64;
        samples.iter_mut().for_each(|s| s.weight /= mean);
        Ok(samples)
    }

    fn leverages(
        &self,
        candidate: &Candidate<'_>,
        samples: &[Sample],
        coefficients: &Coefficients,
    ) -> Vec<f64> {
        let mut all = samples.to_vec();
        all.extend_from_slice(candidate.computed);
        let mut found = candidate
            .form
            .leverages(&all, coefficients)
            .unwrap_or_else(|| vec![1.0; all.len()]);
        found.truncate(samples.len());
        found
    }

    fn luminance_target(
        &self,
        measured: &[Measured],
        candidate: &Candidate<'_>,
        coefficients: &Coefficients,
    ) -> Result<usize> {
        let y = |m: &Measured| {
            uncertainty::color(candidate, coefficients, m.net).map_or(f64::NEG_INFINITY, |c| c[2])
        };
        let Some(wanted) = &self.season.plan.calibration.luminance_target else {
            let brightest =
                (0..measured.len()).max_by(|a, b| y(&measured[*a]).total_cmp(&y(&measured[*b])));
            return brightest.ok_or_else(undetermined);
        };
        let names = || measured.iter().map(|m| self.name(m));
        names().position(|name| name == wanted).ok_or_else(|| {
            Error::input(format!("there is no target \"{wanted}\""))
                .at(self.season.file())
                .key("calibration.luminance_target")
                .remedy(match crate::files::nearest_known(wanted, names()) {
                    Some(near) => format!("did you mean \"{near}\"?"),
                    None => format!("the targets are {}", names().collect::<Vec<_>>().join(", ")),
                })
        })
    }

    /// Luminance per mapped luminance, and the number of targets whose stated luminance it is from: in the
    /// stated unit, or relative to the target that the season names. Where that has none, or nobody states one,
    /// luminance is 1 at the luminance target.
    fn luminance_scale(
        &self,
        stated: &Stated,
        measured: &[Measured],
        mapped: &[f64],
        luminance_at: usize,
    ) -> (f64, usize) {
        let named = self.season.plan.calibration.luminance_target.as_ref();
        let unit = match named {
            Some(_) => self.reference.targets[measured[luminance_at].reference].luminance,
            None => Some(1.0),
        };
        match stated.scale().zip(unit) {
            Some((scale, unit)) => (scale / unit, stated.count()),
            None => (1.0 / mapped[luminance_at], 0),
        }
    }

    /// Whether luminance is relative to a target and not in the unit that targets state it in.
    fn is_relative(&self, stated_targets: usize) -> bool {
        stated_targets == 0 || self.season.plan.calibration.luminance_target.is_some()
    }

    fn tell_outlying(&mut self, stated: &Stated, measured: &[Measured]) {
        for (at, times) in stated.outlying() {
            self.warnings.push(format!(
                "The target {} is {times:.2} times as bright as its stated Y and the other targets let expect: check \
                 its Y, and its height and exposure.",
                self.name(&measured[at])
            ));
        }
    }

    /// All that is uncertain of a target's color, log luminance included.
    fn covariance(
        &self,
        rig: &Rig,
        m: &Measured,
        color: [f64; 3],
        repeatability: &Matrix2<f64>,
    ) -> crate::numeric::Covariance3 {
        let mut found = rig.calibration_covariance(m.net, color);
        for i in 0..2 {
            for j in 0..2 {
                found[i][j] += repeatability[(i, j)];
            }
        }
        let relative: f64 = m
            .steps
            .iter()
            .map(|s| {
                let moved: [f64; 3] = std::array::from_fn(|c| m.net[c] + s[c]);
                (rig.mapping.xyz(moved)[1] / color[2])
                    .max(1e-9)
                    .log10()
                    .powi(2)
            })
            .sum();
        found[2][2] += relative;
        found
    }
}

fn undetermined() -> Error {
    Error::too_little("the targets do not determine a mapping: no fit gives each of them a color")
        .remedy("check that names, boxes and reference belong together, and capture more targets")
}

/// CIEDE2000 of two chromaticities at one luminance, white at Y = 1.
fn color_difference(reference: [f64; 2], measured: [f64; 2], luminance: f64) -> f64 {
    let lab = |uv: [f64; 2]| {
        let [x, y, z] = direction_of(uv);
        Xyz::new(x, y, z)
            .scaled(luminance / y)
            .lab(Xyz::from(srgb::WHITE_XYZ))
    };
    ciede2000(lab(reference), lab(measured))
}

fn errors_of(targets: &[TargetResult], left_out: &[f64]) -> Errors {
    let fitted: Vec<f64> = targets
        .iter()
        .map(|t| distance(t.measured_uv, t.reference_uv))
        .collect();
    let n = targets.len() as f64;
    let mean = |values: &[f64]| values.iter().sum::<f64>() / n;
    let largest = |values: &[f64]| values.iter().copied().fold(0.0, f64::max);
    Errors {
        mean_uv: mean(&fitted),
        max_uv: largest(&fitted),
        cross_validated_mean_uv: mean(left_out),
        cross_validated_max_uv: largest(left_out),
        mean_de00: targets.iter().map(|t| t.de00).sum::<f64>() / n,
    }
}
