//! The share of positives among glowing patches of the field: stated, estimated, or the ledger's own.

use super::evaluate::Unchecked;
use super::evaluation::{FieldPrevalence, PrevalenceSource};
use super::out_of_group::OutOfGroup;
use super::{ClusterBootstrap, prior};
use crate::Result;
use crate::season::ThresholdPlan;

pub(super) fn field_prevalence(
    best: &OutOfGroup,
    unchecked: Option<&Unchecked>,
    threshold: &ThresholdPlan,
    bootstrap: &ClusterBootstrap,
    warnings: &mut Vec<String>,
) -> Result<FieldPrevalence> {
    let ledger = best.ledger_share();
    if let Some(value) = threshold.prevalence {
        return Ok(FieldPrevalence {
            value,
            low: None,
            high: None,
            source: PrevalenceSource::Stated,
            ledger,
            method: "The field's prevalence is stated in the season file.".to_string(),
        });
    }
    if let (Some(unchecked), false) = (unchecked, best.unchecked().is_empty()) {
        let p: Vec<f64> = best.unchecked().iter().map(|p| p.clamp(0.0, 1.0)).collect();
        let estimate =
            prior::estimate_with_interval(&p, None, ledger, &unchecked.groups, bootstrap)?;
        let value = prior::estimate(&p, None, ledger)?;
        // A share of exactly 0 or 1 would make every probability certain.
        let least = 0.5 / p.len() as f64;
        let kept = value.clamp(least, 1.0 - least);
        if kept != value {
            warnings.push(format!(
                "The {} unchecked patches look as if {} of them were positive; the field's prevalence is taken as {kept:.2e}.",
                p.len(),
                if value < 0.5 { "none" } else { "all" }
            ));
        }
        if p.len() < 100 {
            warnings.push(format!(
                "The field's prevalence is estimated from only {} unchecked patches; state it in threshold.prevalence if it is known.",
                p.len()
            ));
        }
        return Ok(FieldPrevalence {
            value: kept,
            low: estimate.map(|i| i.low.min(kept)),
            high: estimate.map(|i| i.high.max(kept)),
            source: PrevalenceSource::Estimated,
            ledger,
            method: format!(
                "The field's prevalence is estimated from {} unchecked patches by maximum likelihood (Saerens, Latinne and Decaestecker 2002), \
                 assuming that each class looks as in the ledger; its interval is from the bootstrap over groups.",
                p.len()
            ),
        });
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
