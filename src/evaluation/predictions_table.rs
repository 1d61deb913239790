//! `predictions.csv`: one row a patch and classifier.

use super::out_of_group::OutOfGroup;
use crate::files;
use crate::numeric::at_most_digits;

/// The content of `predictions.csv`.
///
/// Columns `patch_id,group,label,classifier,fold`, a column `p_<class>` for each class, `p_positive` (both at
/// the share of positives of the checked patches outside the fold) and `p_positive_field`
/// (at `prevalence`).
pub fn predictions_to_csv(predictions: &[OutOfGroup], prevalence: f64) -> Vec<u8> {
    let before = ["patch_id", "group", "label", "classifier", "fold"].map(String::from);
    let classes = predictions.first().map_or(&[][..], |p| p.classes());
    let after = ["p_positive", "p_positive_field"].map(String::from);
    let header = before
        .into_iter()
        .chain(classes.iter().map(|class| format!("p_{class}")))
        .chain(after);
    let rows = predictions.iter().flat_map(|of_classifier| {
        let p_positive = of_classifier.p_positive();
        let in_field = of_classifier.p_positive_at(prevalence);
        (0..of_classifier.len()).map(move |patch| {
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
            row
        })
    });
    files::to_csv(header, rows)
}

/// Eight significant digits: beyond what any figure needs, short enough to read.
fn number(p: f64) -> String {
    at_most_digits(p, 8)
}
