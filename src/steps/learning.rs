//! The ledger through the rig: what there is to learn from, and what stays aside.

use super::inputs;
use crate::calibration::{self, GlowColor, Measurement, Rig, Role};
use crate::evaluation::{Survey, Unchecked};
use crate::features::{self, Dataset, Feature, Sample};
use crate::ledger::{ChosenBy, Ledger, Patch, Selection, check_colors, oddities};
use crate::season::Season;
use crate::{Error, Result};
use ndarray::Array2;
use rayon::prelude::*;
use std::collections::BTreeMap;

/// Which groups to learn from.
#[derive(Clone, Copy, PartialEq, Eq)]
pub enum Groups {
    /// All but the locked ones.
    Open,
    /// The locked ones too, for the one final test.
    All,
}

/// The ledger as the rig sees it: read and measured once, for all that a command asks of it.
pub struct MeasuredLedger {
    /// The rig that measured it.
    pub rig: Rig,
    ledger: Ledger,
    /// In the order of the ledger's patches.
    measurements: Vec<Measurement>,
    /// What looks like a slip in the tables.
    odd: Vec<String>,
}

/// A season's checked patches as a dataset, and the patches beside it.
pub struct Learning {
    /// Checked patches that have a color.
    pub data: Dataset,
    /// What was measured of each of them.
    pub measurements: Vec<Measurement>,
    /// Night of each, or site where nights are the groups; absent unless all have one.
    pub other_groups: Option<Vec<String>>,
    /// Whether each of them is below the detection limit: it is never walked to.
    pub too_faint: Vec<bool>,
    /// What decided that each of them was checked.
    pub chosen_by: Vec<ChosenBy>,
    /// Patches with a color that nobody has checked yet.
    pub unchecked: Option<Unchecked>,
    /// Plain sentences.
    pub warnings: Vec<String>,
}

impl Learning {
    /// What the ledger tells of the survey beside the colors of the dataset.
    pub fn survey(&self) -> Survey<'_> {
        Survey {
            unchecked: self.unchecked.as_ref(),
            too_faint: &self.too_faint,
            chosen_by: &self.chosen_by,
        }
    }

    /// Colors of the dataset's patches: u', v', log luminance.
    pub fn colors(&self) -> Vec<[f64; 3]> {
        let colors = self.measurements.iter().filter_map(|m| m.color);
        colors.map(|c| [c.u, c.v, c.log_luminance]).collect()
    }
}

/// What may be alike in different groups: the night of sites, the site of nights.
pub fn other_column(season: &Season) -> &'static str {
    match season.plan.ledger.group.as_str() {
        "night" => "site",
        _ => "night",
    }
}

/// The rig that `calibrate` left.
pub fn rig(season: &Season) -> Result<Rig> {
    inputs::earlier(season, "rig.json", calibration::FORMAT, "calibrate")
}

/// Measures every patch, in their order.
pub fn measure(rig: &Rig, patches: &[Patch]) -> Vec<Measurement> {
    patches
        .par_iter()
        .map(|patch| rig.measure(&patch.reading, Role::Ground))
        .collect()
}

impl MeasuredLedger {
    /// Reads the rig and the ledger, and measures every patch.
    pub fn read(season: &Season) -> Result<Self> {
        let rig = rig(season)?;
        let mut ledger = Ledger::read(season, &rig.response)?;
        let measurements = measure(&rig, &ledger.patches);
        check_colors(&ledger.patches, &measurements, &rig)
            .map_err(|e| e.at(season.file()).key("ledger.files"))?;
        let odd = oddities(&ledger.patches, &measurements, &rig);
        ledger.warnings.extend(odd.iter().cloned());
        Ok(MeasuredLedger {
            rig,
            ledger,
            measurements,
            odd,
        })
    }

    /// Every patch with what was measured of it.
    pub fn patches(&self) -> impl Iterator<Item = (&Patch, &Measurement)> {
        self.ledger.patches.iter().zip(&self.measurements)
    }

    /// Checked patches that may be learnt from, by the night of their recording.
    pub fn nights(&self, season: &Season) -> BTreeMap<String, usize> {
        let locked = &season.plan.ledger.locked;
        let mut counts = BTreeMap::new();
        for (patch, measurement) in self.patches() {
            let learnt = patch.label.is_some()
                && measurement.color.is_some()
                && !locked.contains(&patch.group);
            if let (true, Some(night)) = (learnt, &patch.night) {
                *counts.entry(night.clone()).or_default() += 1;
            }
        }
        counts
    }

    /// Sets aside what cannot be learnt from.
    pub fn learning(&self, season: &Season, groups: Groups) -> Result<Learning> {
        self.of_features(season, groups, &season.plan.classify.features)
    }

    /// As [`MeasuredLedger::learning`], of open groups, with other features than the season's.
    pub fn with_features(&self, season: &Season, features: &[String]) -> Result<Learning> {
        self.of_features(season, Groups::Open, features)
    }

    fn of_features(&self, season: &Season, groups: Groups, wanted: &[String]) -> Result<Learning> {
        let plan = &season.plan;
        let ledger = &self.ledger;
        let open =
            |patch: &Patch| groups == Groups::All || !plan.ledger.locked.contains(&patch.group);

        let mut samples = Vec::new();
        let mut measurements = Vec::new();
        let mut other_groups = Vec::new();
        let mut unchecked: Vec<(GlowColor, &str)> = Vec::new();
        let mut chosen_by = Vec::new();
        let mut colorless: BTreeMap<String, usize> = BTreeMap::new();
        for (patch, measurement) in self.patches() {
            if !open(patch) {
                continue;
            }
            match (&patch.label, measurement.color) {
                (Some(label), Some(color)) => {
                    chosen_by.push(patch.chosen_by());
                    measurements.push(*measurement);
                    other_groups.push(match other_column(season) {
                        "site" => patch.site.clone(),
                        _ => patch.night.clone(),
                    });
                    samples.push(Sample {
                        id: patch.id.clone(),
                        label: label.clone(),
                        group: patch.group.clone(),
                        color,
                        weight: patch.weight(),
                    });
                }
                // The ledger has said which these are.
                (Some(_), None) if measurement.is_clipped() => {}
                (Some(label), None) => *colorless.entry(label.clone()).or_insert(0) += 1,
                (None, Some(color)) if !measurement.too_faint => {
                    unchecked.push((color, &patch.group));
                }
                (None, _) => {}
            }
        }
        if samples.is_empty() && groups == Groups::Open {
            ledger_is_open(season, ledger)?;
        }
        if samples.is_empty() {
            let dark = "expose longer, fly lower, or look at the detection limit in rig.json";
            let remedy = self.odd.first().map_or(dark, String::as_str);
            return Err(
                Error::too_little("no checked patch is bright enough to have a color")
                    .at(season.file())
                    .remedy(remedy),
            );
        }
        let (data, oddities) = features::dataset(&samples, wanted, &plan.ledger.positive)
            .map_err(|e| e.at(season.file()))?;
        let mut warnings = ledger.warnings.clone();
        warnings.extend(oddities);
        let faint = (0..data.len()).filter(|&i| measurements[i].too_faint);
        let (faint, lost) = faint.fold((0, 0), |(all, lost), i| {
            (all + 1, lost + usize::from(data.is_positive(i)))
        });
        if faint > 0 {
            warnings.push(format!(
                "{faint} checked patches are below the detection limit, {lost} of them positive: a survey passes them by, \
                 and recall counts such positives as missed."
            ));
        }
        if !colorless.is_empty() {
            let counts: Vec<String> = colorless.iter().map(|(l, n)| format!("{n} {l}")).collect();
            warnings.push(format!(
            "{} checked patches have no color at all after dark level and leak ({}) and are left \
             out of every figure.",
            colorless.values().sum::<usize>(),
            counts.join(", ")
        ));
        }
        warnings.extend(poorer_rest(&ledger.patches, plan.threshold.prevalence));
        let names = wanted
            .iter()
            .map(|name| Feature::parse(name))
            .collect::<Result<Vec<_>>>()?;
        let without_checks: Vec<&str> = ledger
            .groups()
            .into_iter()
            .filter(|g| !data.group_names.iter().any(|name| name == g))
            .collect();
        let mut in_order = data
            .group_names
            .iter()
            .map(String::as_str)
            .collect::<Vec<_>>();
        in_order.extend(without_checks);
        let number = |group: &str| in_order.iter().position(|g| *g == group).unwrap_or(0);
        let unchecked = (!unchecked.is_empty()).then(|| Unchecked {
            features: Array2::from_shape_fn((unchecked.len(), names.len()), |(i, j)| {
                names[j].value(&unchecked[i].0)
            }),
            groups: unchecked.iter().map(|(_, group)| number(group)).collect(),
        });
        Ok(Learning {
            data,
            too_faint: measurements.iter().map(|m| m.too_faint).collect(),
            chosen_by,
            measurements,
            other_groups: other_groups.into_iter().collect(),
            unchecked,
            warnings,
        })
    }
}

/// Fails where patches were checked and every one of them is in a locked group.
fn ledger_is_open(season: &Season, ledger: &Ledger) -> Result<()> {
    let locked = &season.plan.ledger.locked;
    let mut checked = ledger.checked().peekable();
    if checked.peek().is_none() || checked.any(|p| !locked.contains(&p.group)) {
        return Ok(());
    }
    Err(Error::too_little(format!(
        "every {} with a checked patch is locked, so that nothing is left to learn from",
        season.plan.ledger.group
    ))
    .at(season.file())
    .key("ledger.locked")
    .remedy("lock one or two groups only, and leave the others to learn from"))
}

/// Where all that was flagged is checked, the unchecked hold less bone than the field does.
fn poorer_rest(patches: &[Patch], stated: Option<f64>) -> Option<String> {
    let flagged = |checked: bool| {
        patches
            .iter()
            .filter(|p| p.selection == Some(Selection::Flagged) && p.label.is_some() == checked)
            .count()
    };
    let rest = patches.iter().filter(|p| p.label.is_none()).count();
    (stated.is_none() && rest > 0 && flagged(true) > 0 && flagged(false) == 0).then(|| {
        format!(
            "Every one of the {} flagged patches is checked, so the {rest} unchecked are what the flagging left: unless inclusion \
             probabilities are stated, the field's prevalence leans on how these look, and comes out too low; state \
             threshold.prevalence if you know it, or check some of them, drawn at random.",
            flagged(true)
        )
    })
}
