//! `predictions.csv`: one row a patch and classifier.

use super::out_of_group::OutOfGroup;
use crate::files;
use crate::{Error, Result};
use std::path::Path;

/// Writes `predictions.csv`, whole or not at all.
///
/// Columns `patch_id,group,label,classifier,fold`, a column `p_<class>` for each class, `p_positive` (both at
/// the share of positives of the checked patches outside the fold) and `p_positive_field`
/// (at `prevalence`).
///
/// # Errors
/// What the system refuses.
pub fn write_predictions(path: &Path, predictions: &[OutOfGroup], prevalence: f64) -> Result<()> {
    files::write_whole(path, &table(path, predictions, prevalence)?)
}

fn table(path: &Path, predictions: &[OutOfGroup], prevalence: f64) -> Result<Vec<u8>> {
    let refused = |e: csv::Error| Error::io(path, std::io::Error::other(e));
    let mut writer = csv::Writer::from_writer(Vec::new());
    if let Some(first) = predictions.first() {
        let mut header: Vec<String> = ["patch_id", "group", "label", "classifier", "fold"]
            .map(String::from)
            .to_vec();
        header.extend(first.classes().iter().map(|c| format!("p_{c}")));
        header.extend(["p_positive", "p_positive_field"].map(String::from));
        writer.write_record(&header).map_err(refused)?;
    }
    for of_classifier in predictions {
        let p_positive = of_classifier.p_positive();
        let in_field = of_classifier.p_positive_at(prevalence);
        for patch in 0..of_classifier.len() {
            let mut row = vec![
                of_classifier.ids()[patch].clone(),
                of_classifier.group_names()[of_classifier.groups()[patch]].clone(),
                of_classifier.classes()[of_classifier.labels()[patch]].clone(),
                of_classifier.classifier().to_string(),
                (of_classifier.fold_of()[patch] + 1).to_string(),
            ];
            let probabilities = of_classifier.probabilities();
            row.extend(probabilities.row(patch).iter().map(|p| number(*p)));
            row.extend([number(p_positive[patch]), number(in_field[patch])]);
            writer.write_record(&row).map_err(refused)?;
        }
    }
    writer
        .into_inner()
        .map_err(|e| Error::io(path, std::io::Error::other(e.to_string())))
}

/// Eight significant digits: beyond what any figure needs, short enough to read.
fn number(p: f64) -> String {
    let rounded: f64 = format!("{p:.7e}").parse().unwrap_or(p);
    rounded.to_string()
}
