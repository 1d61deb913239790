//! The keys of `season.toml`, their defaults and their ranges.

use crate::files::{self, nearest_known};
use crate::{Error, Result};
use serde::{Deserialize, Serialize};
use std::path::PathBuf;

/// All of `season.toml`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Plan {
    /// The season's name.
    pub name: String,
    /// The rig.
    pub rig: RigPlan,
    /// How the rig is calibrated.
    #[serde(default)]
    pub calibration: CalibrationPlan,
    /// The ground checks.
    pub ledger: LedgerPlan,
    /// Which classifiers learn from what.
    #[serde(default)]
    pub classify: ClassifyPlan,
    /// How the cut is chosen.
    #[serde(default)]
    pub threshold: ThresholdPlan,
    /// The strips to score.
    #[serde(default)]
    pub strips: StripsPlan,
}

/// `[rig]`: one laser, filter, lens, camera and its settings.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RigPlan {
    /// The rig's name; a calibration belongs to one rig.
    pub name: String,
    /// Wavelength of the laser in nm.
    #[serde(default = "defaults::laser_nm")]
    pub laser_nm: f64,
    /// Wavelength in nm at which the filter passes half.
    pub filter_cut_on_nm: f64,
    /// `srgb`, `bt709`, `linear`, or the path of a measured response.
    #[serde(default = "defaults::response")]
    pub response: String,
    /// Bits per channel of the code values, 8 to 16.
    #[serde(default = "defaults::bit_depth")]
    pub bit_depth: u32,
    /// Spectral sensitivities: `wavelength_nm,r,g,b`.
    #[serde(default)]
    pub sensitivities: Option<PathBuf>,
    /// Transmission of the filter: `wavelength_nm,transmission`.
    #[serde(default)]
    pub filter: Option<PathBuf>,
}

/// Which chromaticity the rig claims to measure.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ChromaticityKind {
    /// Of the light that passes the filter.
    ThroughFilter,
    /// Of the whole emission, the unseen part inferred from the targets.
    Emission,
}

/// How signal is mapped to tristimulus values.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum MappingChoice {
    /// A 3x3 matrix.
    Matrix,
    /// A second-degree root polynomial.
    RootPolynomial,
    /// The simpler within one standard error of the best, by leave-one-target-out error.
    #[default]
    Auto,
}

/// How the laser line's irradiance falls with height.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub enum IrradianceLaw {
    /// A fan of light: inversely with height.
    #[default]
    #[serde(rename = "1/h")]
    Fan,
    /// A cone of light: inversely with the square of height.
    #[serde(rename = "1/h2")]
    Cone,
    /// Height does not matter.
    #[serde(rename = "none")]
    None,
}

impl IrradianceLaw {
    /// Irradiance at `height_m` relative to that at `reference_m` (both in m, above 0).
    ///
    /// ```
    /// use boneglow::season::IrradianceLaw;
    /// assert_eq!(IrradianceLaw::Fan.relative(12.0, 6.0), 0.5);
    /// assert_eq!(IrradianceLaw::Cone.relative(12.0, 6.0), 0.25);
    /// assert_eq!(IrradianceLaw::None.relative(12.0, 6.0), 1.0);
    /// ```
    pub fn relative(self, height_m: f64, reference_m: f64) -> f64 {
        match self {
            IrradianceLaw::Fan => reference_m / height_m,
            IrradianceLaw::Cone => (reference_m / height_m).powi(2),
            IrradianceLaw::None => 1.0,
        }
    }
}

/// What stands in for a calibration where there are no targets.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Assumption {
    /// The primaries and white of IEC 61966-2-1.
    Srgb,
}

/// `[calibration]`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CalibrationPlan {
    /// Table of the targets' emission spectra or chromaticities.
    #[serde(default)]
    pub reference: Option<PathBuf>,
    /// Table of the captures.
    #[serde(default)]
    pub captures: Option<PathBuf>,
    /// Tables of later nights' captures, judged for drift; the calibration does not depend on them,
    /// so they are no part of what it was made from.
    #[serde(default, skip_serializing)]
    pub nights: Vec<String>,
    /// Kind of mapping.
    #[serde(default)]
    pub mapping: MappingChoice,
    /// Which chromaticity is claimed; by default what the reference allows.
    #[serde(default)]
    pub chromaticity: Option<ChromaticityKind>,
    /// The calibration fails above this cross-validated mean error in u'v'.
    #[serde(default = "defaults::max_error_uv")]
    pub max_error_uv: f64,
    /// A night whose targets drifted by more than this mean distance in u'v' is too far from the
    /// calibration to go on; by default `max_error_uv`. The calibration does not depend on it.
    #[serde(default, skip_serializing)]
    pub max_drift_uv: Option<f64>,
    /// Log luminance is relative to this target; by default in the unit of the targets' stated Y, or else relative to
    /// the brightest capture.
    #[serde(default)]
    pub luminance_target: Option<String>,
    /// ... at this height in m.
    #[serde(default = "defaults::luminance_height_m")]
    pub luminance_height_m: f64,
    /// How irradiance falls with height.
    #[serde(default)]
    pub irradiance: IrradianceLaw,
    /// Leak off the ground as a share of the white target's.
    #[serde(default = "defaults::ground_leak_share")]
    pub ground_leak_share: f64,
    /// Its standard deviation between patches.
    #[serde(default = "defaults::ground_leak_share_sd")]
    pub ground_leak_share_sd: f64,
    /// Leak off the reference targets as a share of the white target's.
    #[serde(default = "defaults::target_leak_share")]
    pub target_leak_share: f64,
    /// Its standard deviation between targets.
    #[serde(default = "defaults::target_leak_share_sd")]
    pub target_leak_share_sd: f64,
    /// The faintest useful glow: its chromaticity is known to within this u'v' distance.
    #[serde(default = "defaults::detection_uv")]
    pub detection_uv: f64,
    /// Confidence of drift tests and detection limits.
    #[serde(default = "defaults::confidence")]
    pub confidence: f64,
    /// Instead of reference and captures: what to assume of footage without targets.
    #[serde(default)]
    pub assume: Option<Assumption>,
}

impl CalibrationPlan {
    /// The mean shift in u'v' above which a drift is too far to go on.
    pub fn drift_limit_uv(&self) -> f64 {
        self.max_drift_uv.unwrap_or(self.max_error_uv)
    }
}

/// `[ledger]`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LedgerPlan {
    /// Tables of ground-checked patches.
    pub files: Vec<String>,
    /// The glow classes that are worth a walk.
    pub positive: Vec<String>,
    /// The column that is never split between training and testing.
    #[serde(default = "defaults::group")]
    pub group: String,
    /// Groups kept for one final test.
    #[serde(default)]
    pub locked: Vec<String>,
    /// Nights whose patches nothing is learnt from, such as those on which the rig had drifted.
    #[serde(default)]
    pub leave_out_nights: Vec<String>,
}

impl LedgerPlan {
    /// Whether nothing is learnt from what was recorded on a night.
    pub fn leaves_out(&self, night: &str) -> bool {
        self.leave_out_nights.iter().any(|name| name == night)
    }
}

/// `[classify]`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ClassifyPlan {
    /// Names of classifiers to fit and compare.
    #[serde(default = "defaults::classifiers")]
    pub classifiers: Vec<String>,
    /// Names of features.
    #[serde(default = "defaults::features")]
    pub features: Vec<String>,
    /// Seed of everything drawn at random.
    #[serde(default = "defaults::seed")]
    pub seed: u64,
    /// Weigh classes so that each counts the same in fitting.
    #[serde(default)]
    pub balance_classes: bool,
    /// Bootstrap replicates over groups.
    #[serde(default = "defaults::replicates")]
    pub replicates: usize,
    /// Resample the patches of resampled groups too.
    #[serde(default)]
    pub two_stage: bool,
}

/// What the cut is chosen for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Policy {
    /// Least expected cost.
    #[default]
    Cost,
    /// Highest cut whose recall's lower confidence limit reaches `min_recall`.
    Recall,
    /// Lowest cut with at most `max_walks_per_hectare`.
    Walks,
    /// Lowest cut that reaches `min_precision`.
    Precision,
}

/// `[threshold]`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ThresholdPlan {
    /// What the cut is chosen for.
    #[serde(default)]
    pub policy: Policy,
    /// Cost of a bone that nobody walked to.
    #[serde(default = "defaults::missed_bone_cost")]
    pub missed_bone_cost: f64,
    /// Cost of a walk to something else.
    #[serde(default = "defaults::wasted_walk_cost")]
    pub wasted_walk_cost: f64,
    /// For policy recall: its lower confidence limit.
    #[serde(default = "defaults::min_recall")]
    pub min_recall: f64,
    /// For policy precision.
    #[serde(default = "defaults::min_precision")]
    pub min_precision: f64,
    /// For policy walks.
    #[serde(default = "defaults::max_walks_per_hectare")]
    pub max_walks_per_hectare: f64,
    /// Glowing patches per hectare of ground, for policy walks; by default measured on the strips.
    #[serde(default)]
    pub patches_per_hectare: Option<f64>,
    /// Share of bone among glowing patches in the field; by default estimated.
    #[serde(default)]
    pub prevalence: Option<f64>,
    /// Confidence of every interval.
    #[serde(default = "defaults::confidence")]
    pub confidence: f64,
    /// Share of known glows that the novelty cut may call novel.
    #[serde(default = "defaults::novelty_rate")]
    pub novelty_rate: f64,
}

/// `[strips]`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct StripsPlan {
    /// The strips' pictures.
    #[serde(default)]
    pub files: Vec<String>,
    /// Row table of a strip, beside it; `{stem}` is the strip's name without extension.
    #[serde(default = "defaults::rows")]
    pub rows: String,
    /// Marked truth of a strip, where there is some.
    #[serde(default = "defaults::marks")]
    pub marks: String,
    /// Field of view across the strip in degrees.
    #[serde(default = "defaults::fov_deg")]
    pub fov_deg: f64,
    /// Standard deviation of the satellite position in m.
    #[serde(default = "defaults::gnss_sd_m")]
    pub gnss_sd_m: f64,
    /// Standard deviation of the heading in degrees.
    #[serde(default = "defaults::heading_sd_deg")]
    pub heading_sd_deg: f64,
    /// Standard deviation of the height in m.
    #[serde(default = "defaults::height_sd_m")]
    pub height_sd_m: f64,
    /// Fewest pixels of a candidate.
    #[serde(default = "defaults::min_pixels")]
    pub min_pixels: u64,
    /// Pixels between two pieces that are still one candidate.
    #[serde(default = "defaults::join_gap_px")]
    pub join_gap_px: u32,
    /// Exposure time of the strips in s; absent where it is that of the calibration, or not known.
    #[serde(default)]
    pub exposure_s: Option<f64>,
    /// Gain of the strips in dB; absent where it is that of the calibration, or not known.
    #[serde(default)]
    pub gain_db: Option<f64>,
}

mod defaults {
    macro_rules! defaults {
        ($($name:ident: $type:ty = $value:expr;)*) => {
            $(pub fn $name() -> $type { $value })*
        };
    }
    defaults! {
        laser_nm: f64 = 450.0;
        response: String = "srgb".into();
        bit_depth: u32 = 8;
        max_error_uv: f64 = 0.010;
        luminance_height_m: f64 = 6.0;
        ground_leak_share: f64 = 0.35;
        ground_leak_share_sd: f64 = 0.12;
        target_leak_share: f64 = 0.75;
        target_leak_share_sd: f64 = 0.15;
        detection_uv: f64 = 0.020;
        group: String = "site".into();
        classifiers: Vec<String> =
            ["brightness", "logistic", "discriminant", "forest", "neighbours"].map(String::from).to_vec();
        features: Vec<String> = ["u", "v", "log_luminance"].map(String::from).to_vec();
        seed: u64 = 1;
        replicates: usize = 2000;
        missed_bone_cost: f64 = 50.0;
        wasted_walk_cost: f64 = 1.0;
        min_recall: f64 = 0.9;
        min_precision: f64 = 0.2;
        max_walks_per_hectare: f64 = 5.0;
        confidence: f64 = 0.95;
        novelty_rate: f64 = 0.01;
        rows: String = "{stem}.rows.csv".into();
        marks: String = "{stem}.marks.csv".into();
        fov_deg: f64 = 70.0;
        gnss_sd_m: f64 = 3.0;
        heading_sd_deg: f64 = 2.0;
        height_sd_m: f64 = 0.3;
        min_pixels: u64 = 6;
        join_gap_px: u32 = 3;
    }
}

/// A section whose keys all have defaults is the empty table.
macro_rules! default_from_empty {
    ($($type:ty),*) => {
        $(impl Default for $type {
            fn default() -> Self {
                toml::from_str("").expect("every key of this section has a default")
            }
        })*
    };
}
default_from_empty!(CalibrationPlan, ClassifyPlan, ThresholdPlan, StripsPlan);

impl Plan {
    /// Parses and checks the text of a season file.
    ///
    /// ```
    /// let text = r#"
    /// name = "Dry-lake survey"
    /// [rig]
    /// name = "quad with 450 nm line"
    /// filter_cut_on_nm = 480
    /// [calibration]
    /// assume = "srgb"
    /// [ledger]
    /// files = ["ledger/*.csv"]
    /// positive = ["bone"]
    /// "#;
    /// let plan = boneglow::season::Plan::parse(text)?;
    /// assert_eq!(plan.threshold.missed_bone_cost, 50.0);
    /// let wrong = text.replace("positive", "positives");
    /// let error = boneglow::season::Plan::parse(&wrong).unwrap_err().to_string();
    /// assert!(error.contains("did you mean \"positive\""), "{error}");
    /// # Ok::<(), boneglow::Error>(())
    /// ```
    pub fn parse(text: &str) -> Result<Self> {
        let plan: Plan = toml::from_str(text).map_err(|e| explain(text, &e))?;
        let written: toml::Table = toml::from_str(text).map_err(|e| explain(text, &e))?;
        if let Some(key) = with_control_character(&toml::Value::Table(written)) {
            return Err(Error::input(
                "found a control character: in quotes \"\\r\", \"\\t\" and the like stand for such",
            )
            .key(key)
            .remedy(FORWARD_SLASHES));
        }
        plan.check()?;
        Ok(plan)
    }

    /// The values of a section, such as of `[rig]`, as JSON; absent where there is no such section.
    pub fn section(&self, name: &str) -> Option<String> {
        let values = match name {
            "[rig]" => files::to_json(&self.rig),
            "[calibration]" => files::to_json(&self.calibration),
            "[ledger]" => files::to_json(&self.ledger),
            "[classify]" => files::to_json(&self.classify),
            "[threshold]" => files::to_json(&self.threshold),
            "[strips]" => files::to_json(&self.strips),
            _ => return None,
        };
        values.ok()
    }

    fn check(&self) -> Result<()> {
        let numbers = [
            ("rig.laser_nm", self.rig.laser_nm, 200.0, 780.0),
            (
                "rig.filter_cut_on_nm",
                self.rig.filter_cut_on_nm,
                200.0,
                780.0,
            ),
            ("rig.bit_depth", f64::from(self.rig.bit_depth), 8.0, 16.0),
            (
                "calibration.max_error_uv",
                self.calibration.max_error_uv,
                1e-6,
                1.0,
            ),
            (
                "calibration.max_drift_uv",
                self.calibration.drift_limit_uv(),
                1e-6,
                1.0,
            ),
            (
                "calibration.luminance_height_m",
                self.calibration.luminance_height_m,
                0.01,
                1e4,
            ),
            (
                "calibration.ground_leak_share",
                self.calibration.ground_leak_share,
                0.0,
                1.0,
            ),
            (
                "calibration.ground_leak_share_sd",
                self.calibration.ground_leak_share_sd,
                0.0,
                1.0,
            ),
            (
                "calibration.target_leak_share",
                self.calibration.target_leak_share,
                0.0,
                1.0,
            ),
            (
                "calibration.target_leak_share_sd",
                self.calibration.target_leak_share_sd,
                0.0,
                1.0,
            ),
            (
                "calibration.detection_uv",
                self.calibration.detection_uv,
                1e-6,
                1.0,
            ),
            (
                "calibration.confidence",
                self.calibration.confidence,
                0.5,
                0.9999,
            ),
            (
                "threshold.missed_bone_cost",
                self.threshold.missed_bone_cost,
                1e-9,
                1e12,
            ),
            (
                "threshold.wasted_walk_cost",
                self.threshold.wasted_walk_cost,
                1e-9,
                1e12,
            ),
            ("threshold.min_recall", self.threshold.min_recall, 0.0, 1.0),
            (
                "threshold.min_precision",
                self.threshold.min_precision,
                0.0,
                1.0,
            ),
            (
                "threshold.max_walks_per_hectare",
                self.threshold.max_walks_per_hectare,
                0.0,
                1e9,
            ),
            (
                "threshold.confidence",
                self.threshold.confidence,
                0.5,
                0.9999,
            ),
            (
                "threshold.novelty_rate",
                self.threshold.novelty_rate,
                0.0,
                0.5,
            ),
            (
                "threshold.prevalence",
                self.threshold.prevalence.unwrap_or(0.5),
                1e-9,
                1.0 - 1e-9,
            ),
            (
                "threshold.patches_per_hectare",
                self.threshold.patches_per_hectare.unwrap_or(1.0),
                1e-9,
                1e12,
            ),
            (
                "classify.replicates",
                self.classify.replicates as f64,
                100.0,
                1e6,
            ),
            ("strips.fov_deg", self.strips.fov_deg, 1.0, 170.0),
            ("strips.gnss_sd_m", self.strips.gnss_sd_m, 0.0, 1e4),
            (
                "strips.heading_sd_deg",
                self.strips.heading_sd_deg,
                0.0,
                180.0,
            ),
            ("strips.height_sd_m", self.strips.height_sd_m, 0.0, 1e3),
            ("strips.min_pixels", self.strips.min_pixels as f64, 1.0, 1e9),
            (
                "strips.join_gap_px",
                f64::from(self.strips.join_gap_px),
                0.0,
                1e4,
            ),
            (
                "strips.exposure_s",
                self.strips.exposure_s.unwrap_or(1.0),
                1e-9,
                1e6,
            ),
            (
                "strips.gain_db",
                self.strips.gain_db.unwrap_or(0.0),
                -60.0,
                120.0,
            ),
        ];
        for (key, value, low, high) in numbers {
            if !(low..=high).contains(&value) {
                return Err(
                    Error::input(format!("found {value}, expected {low} to {high}"))
                        .key(key)
                        .remedy("correct the value"),
                );
            }
        }
        if self.rig.filter_cut_on_nm <= self.rig.laser_nm {
            return Err(Error::input(format!(
                "the filter's cut-on ({} nm) is not above the laser ({} nm)",
                self.rig.filter_cut_on_nm, self.rig.laser_nm
            ))
            .key("rig.filter_cut_on_nm")
            .remedy("a long-pass filter must cut on above the laser's wavelength"));
        }
        for (key, list) in [
            ("ledger.files", &self.ledger.files),
            ("ledger.positive", &self.ledger.positive),
            ("classify.classifiers", &self.classify.classifiers),
            ("classify.features", &self.classify.features),
        ] {
            if list.is_empty() {
                return Err(Error::input("the list is empty")
                    .key(key)
                    .remedy("name at least one"));
            }
            for (i, entry) in list.iter().enumerate() {
                if list[..i].contains(entry) {
                    return Err(Error::input(format!("\"{entry}\" stands twice"))
                        .key(key)
                        .remedy("remove one of them"));
                }
            }
        }
        let calibration = &self.calibration;
        let given = [&calibration.reference, &calibration.captures];
        match calibration.assume {
            Some(_) if given.iter().any(|g| g.is_some()) => Err(Error::input(
                "an assumption stands beside reference or captures",
            )
            .key("calibration.assume")
            .remedy("remove assume to calibrate, or reference and captures to assume")),
            Some(_) => Ok(()),
            None => {
                for (key, value) in ["reference", "captures"].iter().zip(given) {
                    if value.is_none() {
                        return Err(Error::input("this key is missing")
                            .key(format!("calibration.{key}"))
                            .remedy(
                                "name the table, or set assume = \"srgb\" for footage without \
                                 targets (everything after is then marked not calibrated)",
                            ));
                    }
                }
                Ok(())
            }
        }
    }
}

/// What to do about a path of another system.
const FORWARD_SLASHES: &str =
    "write paths with forward slashes, such as \"targets/captures.csv\", on every system";

/// The key of the first text that holds a control character, such as `rig.filter`.
fn with_control_character(value: &toml::Value) -> Option<String> {
    let within = |key: &str, value: &toml::Value| match with_control_character(value)? {
        inner if inner.is_empty() || key.is_empty() => Some(format!("{key}{inner}")),
        inner => Some(format!("{key}.{inner}")),
    };
    match value {
        toml::Value::String(text) => text.chars().any(char::is_control).then(String::new),
        toml::Value::Array(list) => list.iter().find_map(|value| within("", value)),
        toml::Value::Table(table) => table.iter().find_map(|(key, value)| within(key, value)),
        _ => None,
    }
}

/// Rewords the parser's error: line, key, nearest known key.
fn explain(text: &str, error: &toml::de::Error) -> Error {
    let message = error.message();
    let mut quoted = message.split('`').skip(1).step_by(2);
    let line = error
        .span()
        .map(|span| 1 + text[..span.start.min(text.len())].matches('\n').count() as u64);
    let mut explained = if message.starts_with("unknown field") {
        let found = quoted.next().unwrap_or("").to_string();
        let known: Vec<&str> = quoted.collect();
        let remedy = match nearest_known(&found, known.iter().copied()) {
            Some(near) => format!("did you mean \"{near}\"?"),
            None => format!("the keys known here are {}", known.join(", ")),
        };
        Error::input(format!("unknown key \"{found}\"")).remedy(remedy)
    } else if message.starts_with("missing field") {
        Error::input(format!(
            "the key \"{}\" is missing",
            quoted.next().unwrap_or("")
        ))
        .remedy("add it; it has no default")
    } else if message.starts_with("unknown variant") {
        let found = quoted.next().unwrap_or("").to_string();
        let known: Vec<&str> = quoted.collect();
        Error::input(format!(
            "found \"{found}\", expected one of {}",
            known.join(", ")
        ))
        .remedy("correct the value")
    } else if line.is_some_and(|line| holds_backslash(text, line)) {
        Error::input("found a backslash in quotes, which begins an escape such as \"\\n\"")
            .remedy(FORWARD_SLASHES)
    } else {
        let told = found_and_expected(message).unwrap_or_else(|| message.to_string());
        Error::input(told).remedy("correct the line")
    };
    if let Some(line) = line {
        explained = explained.line(line);
    }
    explained
}

/// A value of a wrong kind, in plain words instead of the parser's; absent where the message is of
/// something else.
fn found_and_expected(message: &str) -> Option<String> {
    let told = ["invalid type: ", "invalid value: "]
        .iter()
        .find_map(|start| message.strip_prefix(start))?;
    let (found, expected) = told.split_once(", expected ")?;
    let found = match found.split_once(' ') {
        Some(("string" | "integer", value)) => value.trim_matches('`').to_string(),
        Some(("floating", value)) => value.trim_start_matches("point ").trim_matches('`').into(),
        Some(("boolean", value)) => value.trim_matches('`').to_string(),
        _ => match found {
            "sequence" => "a list".to_string(),
            "map" => "a section or a date".to_string(),
            other => other.to_string(),
        },
    };
    let expected = match expected.trim() {
        "f32" | "f64" => "a number",
        "u8" | "u16" | "u32" | "u64" | "usize" => "a whole number of 0 or more",
        "i8" | "i16" | "i32" | "i64" | "isize" => "a whole number",
        "a boolean" => "true or false",
        "a sequence" => "a list in square brackets",
        "a string" | "path string" | "a path string" | "string or map" => "text in quotes",
        kind if kind.starts_with("struct ") => "a section with keys of its own",
        other => other,
    };
    Some(format!("found {found}, expected {expected}"))
}

fn holds_backslash(text: &str, line: u64) -> bool {
    let at = usize::try_from(line.saturating_sub(1)).unwrap_or(usize::MAX);
    text.lines().nth(at).is_some_and(|line| line.contains('\\'))
}
