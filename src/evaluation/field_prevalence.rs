//! The share of positives among glowing patches of the field: stated, estimated, or the ledger's own.

use super::evaluation::{FieldPrevalence, PrevalenceSource};
use super::out_of_group::OutOfGroup;
use super::proportion::heaviest;
use super::survey::Survey;
use super::{ClusterBootstrap, prior};
use crate::Result;
use crate::season::ThresholdPlan;

pub(super) fn field_prevalence(
    best: &OutOfGroup,
    survey: Survey<'_>,
    threshold: &ThresholdPlan,
    bootstrap: &ClusterBootstrap,
    warnings: &mut Vec<String>,
) -> Result<FieldPrevalence> {
    let ledger = best.ledger_share();
    if let Some(value) = threshold.prevalence {
        return Ok(FieldPrevalence::stated(value, ledger));
    }
    let weights = best.weights();
    if weights.iter().any(|w| *w != weights[0]) {
        return Ok(by_design(best, bootstrap));
    }
    if let (Some(unchecked), false) = (survey.unchecked, best.unchecked().is_empty()) {
        let beside = survey.beside(best.len());
        return by_likelihood(best, &unchecked.groups, &beside, bootstrap, warnings);
    }
    warnings.push(
        "The field's prevalence is neither stated (threshold.prevalence) nor can it be estimated (no unchecked patches): the \
         ledger's own share is taken, which is too high where patches were chosen because they looked like bone."
            .to_string(),
    );
    Ok(FieldPrevalence {
        value: ledger,
        low: None,
        high: None,
        source: PrevalenceSource::Ledger,
        ledger,
        method: "The field's prevalence is taken to be the ledger's own weighted share."
            .to_string(),
    })
}

impl FieldPrevalence {
    /// What the season file states, beside the ledger's own share.
    pub fn stated(value: f64, ledger: f64) -> Self {
        FieldPrevalence {
            value,
            low: None,
            high: None,
            source: PrevalenceSource::Stated,
            ledger,
            method: "The field's prevalence is stated in the season file.".to_string(),
        }
    }

    /// The prevalence after a change of the season file, which may state another one; absent where it states none
    /// any more, so that it must be estimated anew.
    pub fn restated(&self, stated: Option<f64>) -> Option<Self> {
        match (stated, self.source) {
            (Some(value), _) => Some(Self::stated(value, self.ledger)),
            (None, PrevalenceSource::Stated) => None,
            (None, _) => Some(self.clone()),
        }
    }
}

/// The ledger's share with each patch counted as often as its chance of being checked says.
fn by_design(best: &OutOfGroup, bootstrap: &ClusterBootstrap) -> FieldPrevalence {
    let (positive, weights) = (best.is_positive(), best.weights());
    let interval = bootstrap.share(
        &best.units(bootstrap),
        |i| weights[i],
        |i| positive[i],
        heaviest(weights),
    );
    let ledger = best.ledger_share();
    FieldPrevalence {
        value: ledger,
        low: interval.map(|i| i.low),
        high: interval.map(|i| i.high),
        source: PrevalenceSource::Estimated,
        ledger,
        method: "The field's prevalence is estimated from the checked patches, each weighted by the inverse of its \
                 inclusion probability (Horvitz and Thompson 1952); its interval is from the bootstrap over groups."
            .to_string(),
    }
}

/// From how the unchecked look, and from what the checked patches of the same survey are: those that were
/// passed over alone would hold too few positives.
fn by_likelihood(
    best: &OutOfGroup,
    unchecked_groups: &[usize],
    beside: &[usize],
    bootstrap: &ClusterBootstrap,
    warnings: &mut Vec<String>,
) -> Result<FieldPrevalence> {
    let ledger = best.ledger_share();
    let positive = best.is_positive();
    let checked = beside.iter().map(|&i| f64::from(positive[i]));
    let p = best.unchecked().iter().copied().chain(checked);
    let p: Vec<f64> = p.map(|p| p.clamp(0.0, 1.0)).collect();
    let groups_beside = beside.iter().map(|&i| best.groups()[i]);
    let groups: Vec<usize> = unchecked_groups
        .iter()
        .copied()
        .chain(groups_beside)
        .collect();
    let interval = prior::estimate_with_interval(&p, None, ledger, &groups, bootstrap)?;
    let value = prior::estimate(&p, None, ledger)?;
    // A share of exactly 0 or 1 would make every probability certain.
    let least = 0.5 / p.len() as f64;
    let kept = value.clamp(least, 1.0 - least);
    if kept != value {
        warnings.push(format!(
            "The {} patches of the survey look as if {} of them were positive; the field's prevalence is taken as {kept:.2e}.",
            p.len(),
            if value < 0.5 { "none" } else { "all" }
        ));
    }
    if p.len() < 100 {
        warnings.push(format!(
            "The field's prevalence is estimated from only {} patches; state it in threshold.prevalence if it is known.",
            p.len()
        ));
    }
    Ok(FieldPrevalence {
        value: kept,
        low: interval.map(|i| i.low.min(kept)),
        high: interval.map(|i| i.high.max(kept)),
        source: PrevalenceSource::Estimated,
        ledger,
        method: format!(
            "The field's prevalence is estimated by maximum likelihood from {} unchecked patches (Saerens, Latinne and Decaestecker \
             2002) and what {} checked ones of the same survey are, assuming that each class looks as in the ledger; its \
             interval is from the bootstrap over groups.",
            best.unchecked().len(),
            beside.len()
        ),
    })
}
