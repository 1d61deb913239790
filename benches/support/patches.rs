//! Patches to measure with: overlapping classes whose place shifts from site to site.

use boneglow::features::Dataset;
use boneglow::numeric::stream;
use ndarray::Array2;
use rand::RngExt;

pub const FEATURES: usize = 4;
pub const CLASSES: usize = 5;
pub const SITES: usize = 12;

/// Overlapping classes whose place shifts from site to site.
pub fn data(patches: usize) -> Dataset {
    let mut rng = stream(1, "classify bench", 0);
    let mut normal = || (0..12).map(|_| rng.random::<f64>()).sum::<f64>() - 6.0;
    let mut centers = |n: usize, spread: f64| -> Vec<[f64; FEATURES]> {
        (0..n)
            .map(|_| [(); FEATURES].map(|()| spread * normal()))
            .collect()
    };
    let (classes, sites) = (centers(CLASSES, 1.2), centers(SITES, 0.4));
    let labels: Vec<usize> = (0..patches).map(|i| (i * i + i / 7) % CLASSES).collect();
    let groups: Vec<usize> = (0..patches).map(|i| i % SITES).collect();
    Dataset {
        ids: (0..patches).map(|i| i.to_string()).collect(),
        feature_names: ["u", "v", "log_luminance", "texture"]
            .map(String::from)
            .to_vec(),
        features: Array2::from_shape_fn((patches, FEATURES), |(i, j)| {
            classes[labels[i]][j] + sites[groups[i]][j] + normal()
        }),
        covariance: vec![[[0.0; 3]; 3]; patches],
        labels,
        classes: ["bone", "calcite", "lichen", "matrix", "opal"]
            .map(String::from)
            .to_vec(),
        positive: (0..CLASSES).map(|k| k == 0).collect(),
        groups,
        group_names: (0..SITES).map(|g| format!("site {g:02}")).collect(),
        weights: vec![1.0; patches],
    }
}
