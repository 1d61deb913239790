//! Whether the rig is still what it was: later nights' captures against its calibration.
//!
//! Color is judged jointly over all targets with a free scale each, so an overall gain does not
//! count; brightness is judged on the white target. What noise, dark levels and leak leave
//! uncertain on both nights makes the covariance of the shifts, its common parts included, and the
//! shifts are tested by their squared Mahalanobis length (chi squared). Whether a drift that the test
//! finds is too far to go on is the season's to say: `calibration.max_drift_uv`.
//!
//! What changed is told from the signals themselves: each hypothesis predicts those of targets and
//! white, and one is named where the others do not explain them as well.

mod cause;
mod curves;
mod hypotheses;
mod night;

use self::curves::Curves;
use self::hypotheses::Fitted;
use super::Rig;
use super::captures::Captures;
use crate::season::Season;
use crate::{Error, Result};
use serde::{Deserialize, Serialize};
use std::path::PathBuf;

/// Name and version of `drift.json`.
pub const DRIFT_FORMAT: &str = "boneglow-drift/1";

/// All nights that were compared with a calibration: the content of `drift.json`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Drift {
    /// The rig's name.
    pub rig: String,
    /// Confidence of every test: 1 less the rate of false alarms of a night.
    pub confidence: f64,
    /// Night by night, in the order of the tables.
    pub nights: Vec<DriftNight>,
    /// Plain sentences on what to mind.
    pub warnings: Vec<String>,
}

/// One night against the calibration.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct DriftNight {
    /// The night as the table names it, or the table's file name.
    pub night: String,
    /// Whether the joint test of color finds a drift.
    pub drifted: bool,
    /// Whether brightness, judged on the white target, has changed, or the targets' beside each other
    /// as another laser makes it; false where it cannot be judged.
    pub brightness_changed: bool,
    /// p value of the joint test of color.
    pub p_value: f64,
    /// What the pattern of the shifts speaks for, in a sentence.
    pub cause: String,
    /// Brightness of the white relative to the calibration; absent where it cannot be judged.
    pub brightness: Option<Brightness>,
    /// Factor on red and blue relative to green that explains the shifts best.
    pub channel_factors: [f64; 3],
    /// What may have changed, and what each leaves of the signals unexplained.
    #[serde(default)]
    pub explanations: Vec<Explanation>,
    /// Squared Mahalanobis length of all shifts together.
    pub chi_squared: f64,
    /// Its degrees of freedom.
    pub degrees: usize,
    /// The targets captured.
    pub targets: Vec<DriftTarget>,
}

/// One thing that may have changed, fitted to the signals of targets and white.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Explanation {
    /// `nothing`, `gain`, `channels`, `filter`, `laser`, `target` or `white-exposure`.
    pub change: String,
    /// Squared Mahalanobis length of what it leaves.
    pub chi_squared: f64,
    /// Factors that were fitted.
    pub parameters: usize,
    /// Signals less factors.
    pub degrees: usize,
}

impl Explanation {
    fn of(fitted: &Fitted) -> Self {
        Explanation {
            change: fitted.change.name().to_string(),
            chi_squared: fitted.chi_squared,
            parameters: fitted.parameters,
            degrees: fitted.degrees,
        }
    }
}

/// Brightness relative to the calibration with its confidence limits.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Brightness {
    /// 1 if nothing changed.
    pub value: f64,
    /// Lower limit.
    pub low: f64,
    /// Upper limit.
    pub high: f64,
}

/// One target on one night.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct DriftTarget {
    /// Its name.
    pub target: String,
    /// u', v' on this night less that of the calibration.
    pub shift: [f64; 2],
    /// Length of the shift.
    pub shift_uv: f64,
    /// Standard deviation of that length if nothing changed (root mean square).
    pub sd_uv: f64,
    /// p value of this target alone, not corrected for the number of targets.
    pub p_value: f64,
}

impl DriftNight {
    /// Mean distance in u'v' that the targets moved; absent without targets.
    pub fn mean_shift_uv(&self) -> Option<f64> {
        let sum: f64 = self.targets.iter().map(|t| t.shift_uv).sum();
        (!self.targets.is_empty()).then(|| sum / self.targets.len() as f64)
    }

    /// Whether what changed is seen by classifiers of these features: color always is, brightness where
    /// `log_luminance` is one of them.
    pub fn is_seen_by(&self, features: &[String]) -> bool {
        let brightness = features.iter().any(|feature| feature == "log_luminance");
        self.drifted || (brightness && self.brightness_changed)
    }

    /// Whether color drifted, and by more than this mean distance in u'v': too far to go on.
    pub fn beyond(&self, limit_uv: f64) -> bool {
        self.drifted && self.mean_shift_uv().is_some_and(|mean| mean > limit_uv)
    }
}

impl Drift {
    /// Whether any night drifted in color.
    pub fn drifted(&self) -> bool {
        self.nights.iter().any(|n| n.drifted)
    }

    /// Whether brightness changed on any night.
    pub fn brightness_changed(&self) -> bool {
        self.nights.iter().any(|n| n.brightness_changed)
    }

    /// These nights beside those of an earlier comparison with the same calibration, by name; a
    /// night that is in both counts as here.
    pub fn beside(mut self, earlier: Drift) -> Self {
        let known = |night: &str| self.nights.iter().any(|n| n.night == night);
        let kept: Vec<DriftNight> = earlier
            .nights
            .into_iter()
            .filter(|n| !known(&n.night))
            .collect();
        let of_kept = |warning: &String| {
            kept.iter()
                .any(|n| warning.starts_with(&format!("{}: ", n.night)))
        };
        let mut warnings: Vec<String> = earlier.warnings.into_iter().filter(of_kept).collect();
        let own = self.warnings.into_iter().filter(|w| !w.starts_with(EACH));
        warnings.extend(own);
        self.nights.extend(kept);
        self.nights.sort_by(|a, b| a.night.cmp(&b.night));
        warnings.extend(of_many(self.nights.len(), self.confidence));
        self.warnings = warnings;
        self
    }
}

const EACH: &str = "Each night is tested by itself";

/// What several tests mean together.
fn of_many(nights: usize, confidence: f64) -> Option<String> {
    (nights > 1).then(|| {
        format!(
            "{EACH}: of {nights} nights without any drift about {:.1} would still be called one.",
            (1.0 - confidence) * nights as f64
        )
    })
}

/// Compares the captures of later nights, one table a night, with the calibration `rig`.
///
/// Each table needs captures of at least one target of the calibration; dark and white captures
/// are used where there are some.
///
/// # Errors
/// A rig that was never calibrated; a season or a table (column `rig`) of another rig; a target
/// that the calibration does not have; whatever is wrong with a table.
pub fn drift(season: &Season, rig: &Rig, captures: &[PathBuf]) -> Result<Drift> {
    check_same_rig(season, rig)?;
    let curves = Curves::read(season)?;
    let mut found = Drift {
        rig: rig.rig.clone(),
        confidence: rig.detection.confidence,
        nights: Vec::new(),
        warnings: Vec::new(),
    };
    for path in captures {
        let table = Captures::read(path, season.folder(), &rig.response, rig.bit_depth)?;
        if let Some(other) = table.rig.as_ref().filter(|name| **name != rig.rig) {
            return Err(Error::input(format!(
                "these captures are of the rig \"{other}\", the calibration is of \"{}\"",
                rig.rig
            ))
            .at(path)
            .column("rig")
            .remedy("compare them with that rig's own calibration"));
        }
        let name = match &table.night {
            Some(night) => night.clone(),
            None => path
                .file_stem()
                .map_or_else(String::new, |s| s.to_string_lossy().to_string()),
        };
        for warning in &table.warnings {
            found.warnings.push(format!("{name}: {warning}"));
        }
        let night = night::compare(rig, &table, &name, curves.as_ref(), &mut found.warnings)
            .map_err(|e| e.at(path))?;
        found.nights.push(night);
    }
    found
        .warnings
        .extend(of_many(found.nights.len(), found.confidence));
    Ok(found)
}

fn check_same_rig(season: &Season, rig: &Rig) -> Result<()> {
    let plan = &season.plan.rig;
    if !rig.calibrated || rig.targets.is_empty() {
        return Err(Error::input(
            "the rig was assumed and not calibrated: there is nothing to compare with",
        )
        .at(season.file())
        .key("calibration.assume")
        .remedy("calibrate with targets first"));
    }
    let differs = |key: &str, found: String, expected: String| {
        Err(Error::input(format!(
            "the calibration is of another rig: it has {found}, the season {expected}"
        ))
        .at(season.file())
        .key(format!("rig.{key}"))
        .remedy("call `boneglow calibrate` for this rig first"))
    };
    if rig.rig != plan.name {
        return differs(
            "name",
            format!("\"{}\"", rig.rig),
            format!("\"{}\"", plan.name),
        );
    }
    for (key, found, expected) in [
        ("laser_nm", rig.laser_nm, plan.laser_nm),
        (
            "filter_cut_on_nm",
            rig.filter_cut_on_nm,
            plan.filter_cut_on_nm,
        ),
        (
            "bit_depth",
            f64::from(rig.bit_depth.bits()),
            f64::from(plan.bit_depth),
        ),
    ] {
        if found != expected {
            return differs(key, found.to_string(), expected.to_string());
        }
    }
    let named = ["srgb", "bt709", "linear"].contains(&plan.response.as_str());
    let stated = if named {
        plan.response.as_str()
    } else {
        "measured"
    };
    if rig.response.name() != stated {
        return differs(
            "response",
            rig.response.name().into(),
            plan.response.clone(),
        );
    }
    Ok(())
}
