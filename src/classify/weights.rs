//! The weights that patches are learnt from with.

use crate::features::Dataset;

/// Weights to train with, with mean 1: the dataset's own, and with `balance` scaled so that each
/// class that occurs counts the same.
///
/// ```
/// use boneglow::classify::training_weights;
/// # use boneglow::features::Dataset;
/// # let data = Dataset {
/// #     ids: vec!["1".into(), "2".into(), "3".into()], feature_names: vec![],
/// #     features: ndarray::Array2::zeros((3, 0)), covariance: vec![[[0.0; 3]; 3]; 3],
/// #     labels: vec![0, 1, 1], classes: vec!["bone".into(), "opal".into()],
/// #     positive: vec![true, false], groups: vec![0; 3], group_names: vec!["a".into()],
/// #     weights: vec![1.0, 1.0, 4.0],
/// # };
/// // One bone of weight 1 and two opals of weights 1 and 4:
/// assert_eq!(training_weights(&data, false), [0.5, 0.5, 2.0]);
/// assert_eq!(training_weights(&data, true), [1.5, 0.3, 1.2]);
/// ```
pub fn training_weights(data: &Dataset, balance: bool) -> Vec<f64> {
    let mut of_class = vec![0.0; data.classes.len()];
    for (&label, weight) in data.labels.iter().zip(&data.weights) {
        of_class[label] += weight;
    }
    let total: f64 = of_class.iter().sum();
    let occurring = of_class.iter().filter(|w| **w > 0.0).count() as f64;
    let patches = data.len() as f64;
    data.labels
        .iter()
        .zip(&data.weights)
        .map(|(&label, weight)| {
            if balance {
                weight * patches / (occurring * of_class[label])
            } else {
                weight * patches / total
            }
        })
        .collect()
}
