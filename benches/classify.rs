//! Fitting, tuning and scoring of every classifier: 20 000 patches x 4 features x 5 classes, 12
//! sites, one of them left out.
//!
//! `fit`: one fit with the most complex settings. `trial`: the whole grid fitted to 10 sites and
//! applied to another, warm-started as tuning does it. `score`: 100 000 rows.

#[path = "support/patches.rs"]
mod patches;

use boneglow::classify::{Classifier, Method, WarmStart, training_weights};
use boneglow::features::Dataset;
use patches::data;

const PATCHES: usize = 20_000;
const SCORED: usize = 100_000;

fn without(data: &Dataset, sites: &[usize]) -> Dataset {
    let rows = (0..data.len()).filter(|i| !sites.contains(&data.groups[*i]));
    data.select(&rows.collect::<Vec<_>>())
}

fn of_site(data: &Dataset, site: usize) -> Dataset {
    let rows = (0..data.len()).filter(|i| data.groups[*i] == site);
    data.select(&rows.collect::<Vec<_>>())
}

#[divan::bench(args = Method::ALL)]
fn fit(bencher: divan::Bencher, method: Method) {
    let train = without(&data(PATCHES), &[0]);
    let weights = training_weights(&train, false);
    let settings = *method.grid().last().unwrap();
    bencher.bench(|| method.fit(&train, &weights, &settings, 1).unwrap());
}

#[divan::bench(args = Method::ALL)]
fn trial(bencher: divan::Bencher, method: Method) {
    let all = data(PATCHES);
    let outer = without(&all, &[0]);
    let inner = without(&all, &[0, 1]);
    let held_out = of_site(&all, 1).features;
    let grid = method.grid();
    let start: WarmStart = method
        .warm_start(&outer, &training_weights(&outer, false), &grid)
        .unwrap();
    let weights = training_weights(&inner, false);
    bencher.bench(|| {
        method
            .trial(&inner, &weights, &grid, held_out.view(), 1, Some(&start))
            .unwrap()
    });
}

#[divan::bench(args = Method::ALL)]
fn score(bencher: divan::Bencher, method: Method) {
    let train = without(&data(PATCHES), &[0]);
    let weights = training_weights(&train, false);
    let settings = method.grid()[method.grid().len() / 2];
    let fitted = method.fit(&train, &weights, &settings, 1).unwrap();
    let rows = data(SCORED).features;
    bencher
        .counter(divan::counter::ItemsCount::new(SCORED))
        .bench(|| fitted.probabilities(rows.view()));
}

fn main() {
    divan::main();
}
