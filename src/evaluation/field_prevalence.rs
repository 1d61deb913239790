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
    let in_frame: Vec<bool> = (0..best.len()).map(|i| !survey.is_passing(i)).collect();
    if weights.iter().any(|w| *w != weights[0]) && in_frame.contains(&true) {
        return Ok(by_design(best, &in_frame, bootstrap, warnings));
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

/// The share of those that are in the frame of the survey, each counted as often as its chance of being checked
/// says. What was found by the way had no chance that anybody knows.
fn by_design(
    best: &OutOfGroup,
    in_frame: &[bool],
    bootstrap: &ClusterBootstrap,
    warnings: &mut Vec<String>,
) -> FieldPrevalence {
    let positive = best.is_positive();
    let weight = |i: usize| match in_frame[i] {
        true => best.weights()[i],
        false => 0.0,
    };
    let sum = |of: &dyn Fn(usize) -> bool| -> f64 {
        (0..best.len()).filter(|&i| of(i)).map(weight).sum()
    };
    let counted = in_frame.iter().filter(|f| **f).count();
    let value = within(sum(&|i| positive[i]) / sum(&|_| true), counted, warnings);
    let interval = bootstrap.share(
        &best.units(bootstrap),
        weight,
        |i| positive[i],
        heaviest(best.weights()),
    );
    let passing = match best.len() - counted {
        0 => String::new(),
        1 => "; 1 patch that was found by the way is left out".to_string(),
        n => format!("; {n} patches that were found by the way are left out"),
    };
    FieldPrevalence {
        value,
        low: interval.map(|i| i.low.min(value)),
        high: interval.map(|i| i.high.max(value)),
        source: PrevalenceSource::Estimated,
        ledger: best.ledger_share(),
        method: format!(
            "The field's prevalence is estimated from the checked patches, each weighted by the inverse of its \
             inclusion probability (Horvitz and Thompson 1952){passing}; its interval is from the bootstrap over groups."
        ),
    }
}

/// A share of exactly 0 or 1 would make every probability certain.
fn within(share: f64, patches: usize, warnings: &mut Vec<String>) -> f64 {
    let least = 0.5 / patches as f64;
    let kept = share.clamp(least, 1.0 - least);
    if kept != share {
        warnings.push(format!(
            "The {patches} patches of the survey look as if {} of them were positive; the field's prevalence is taken as {kept:.2e}.",
            if share < 0.5 { "none" } else { "all" }
        ));
    }
    kept
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
    let kept = within(prior::estimate(&p, None, ledger)?, p.len(), warnings);
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
