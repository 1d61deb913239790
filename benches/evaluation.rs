//! Nested leave-one-site-out of every classifier: 20 000 patches x 4 features x 5 classes, 12 sites.
//!
//! Tuning, probability calibration and prediction of the left-out sites; each classifier by itself.

#[path = "support/patches.rs"]
mod patches;

use boneglow::classify::Method;
use boneglow::evaluation::{Folds, Inside, Recipe, cross_validate};

const PATCHES: usize = 20_000;

fn main() {
    divan::main();
}

#[divan::bench(args = ["brightness", "nearest-mean", "logistic", "discriminant", "forest", "neighbours"], sample_count = 1, sample_size = 1)]
fn nested(bencher: divan::Bencher<'_, '_>, classifier: &str) {
    let data = patches::data(PATCHES);
    let folds = Folds::by_group(&data.groups).unwrap();
    let recipe = [Recipe::tuned(Method::parse(classifier).unwrap())];
    let inside = Inside {
        balance_classes: false,
        nested: true,
        seed: 1,
    };
    bencher.bench_local(|| cross_validate(&data, &recipe, &folds, inside, None, &|_| ()).unwrap());
}
