//! The ledger through the rig: what there is to learn from, and what stays aside.

use super::inputs;
use crate::calibration::{self, Measurement, Rig, Role};
use crate::features::{self, Dataset, Feature, Sample};
use crate::ledger::{Ledger, Patch};
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

/// A season's checked patches as a dataset, and the patches beside it.
pub struct Learning {
    /// Checked patches with a color that is not too faint.
    pub data: Dataset,
    /// Features of patches that nobody has checked yet (patches x features).
    pub unchecked: Option<Array2<f64>>,
    /// Checked patches too faint to have a color, by label: each is passed by.
    pub too_faint: BTreeMap<String, usize>,
    /// Patches without a label.
    pub unlabelled: usize,
    /// Plain sentences.
    pub warnings: Vec<String>,
}

/// The rig that `calibrate` left.
pub fn rig(season: &Season) -> Result<Rig> {
    inputs::earlier(season, "rig.json", calibration::FORMAT, "calibrate")
}

/// Measures every patch, in their order.
pub fn measure(rig: &Rig, patches: &[Patch]) -> Vec<Measurement> {
    patches.par_iter().map(|patch| rig.measure(&patch.reading, Role::Ground)).collect()
}

/// Reads the ledger, measures it, and sets aside what cannot be learnt from.
pub fn learning(season: &Season, rig: &Rig, groups: Groups) -> Result<Learning> {
    let plan = &season.plan;
    let ledger = Ledger::read(season, &rig.response)?;
    let measurements = measure(rig, &ledger.patches);
    let open = |patch: &Patch| groups == Groups::All || !plan.ledger.locked.contains(&patch.group);

    let mut samples = Vec::new();
    let mut unchecked = Vec::new();
    let mut too_faint = BTreeMap::new();
    let mut unlabelled = 0;
    for (patch, measurement) in ledger.patches.iter().zip(&measurements) {
        if !open(patch) {
            continue;
        }
        let clear = measurement.color.filter(|_| !measurement.too_faint);
        match (&patch.label, clear) {
            (Some(label), Some(color)) => samples.push(Sample {
                id: patch.id.clone(),
                label: label.clone(),
                group: patch.group.clone(),
                color,
                weight: patch.weight(),
            }),
            (Some(label), None) => *too_faint.entry(label.clone()).or_insert(0) += 1,
            (None, color) => {
                unlabelled += 1;
                unchecked.extend(color);
            }
        }
    }
    if samples.is_empty() {
        return Err(Error::too_little("every checked patch is too faint to have a color")
            .at(season.file())
            .remedy("expose longer, fly lower, or look at the detection limit in rig.json"));
    }
    let (data, oddities) = features::dataset(&samples, &plan.classify.features, &plan.ledger.positive)
        .map_err(|e| e.at(season.file()))?;
    let mut warnings = rig.warnings.clone();
    warnings.extend(ledger.warnings);
    warnings.extend(oddities);
    if !too_faint.is_empty() {
        let counts: Vec<String> = too_faint.iter().map(|(l, n)| format!("{n} {l}")).collect();
        warnings.push(format!(
            "{} checked patches are too faint to have a color ({}): no classifier learns from \
             them, and a survey passes them by.",
            too_faint.values().sum::<usize>(),
            counts.join(", ")
        ));
    }
    let names = plan
        .classify
        .features
        .iter()
        .map(|name| Feature::parse(name))
        .collect::<Result<Vec<_>>>()?;
    let unchecked = (!unchecked.is_empty()).then(|| {
        Array2::from_shape_fn((unchecked.len(), names.len()), |(i, j)| names[j].value(&unchecked[i]))
    });
    Ok(Learning { data, unchecked, too_faint, unlabelled, warnings })
}
