//! Colors of many spectra: 100 000 of 81 samples each, to X, Y, Z and u', v'.
//!
//! The arithmetic reads 65 MB once; reading them is half of the time.

use boneglow::colorimetry::{Observer, Weights, Xyz};
use boneglow::simulation::Draw;
use divan::{Bencher, counter::ItemsCount};
use ndarray::Array2;

fn main() {
    divan::main();
}

const SPECTRA: usize = 100_000;

fn spectra() -> (Vec<f64>, Array2<f64>) {
    let grid: Vec<f64> = (0..81).map(|i| 380.0 + 5.0 * f64::from(i)).collect();
    let mut draw = Draw::new(1, "bench spectra", 0);
    let values = Array2::from_shape_simple_fn((SPECTRA, 81), || draw.uniform());
    (grid, values)
}

#[divan::bench]
fn tristimulus_values(bencher: Bencher) {
    let (grid, values) = spectra();
    let weights = Weights::new(Observer::Cie1931, &grid);
    bencher
        .counter(ItemsCount::new(SPECTRA))
        .bench(|| weights.xyz_all(values.view()).unwrap());
}

#[divan::bench]
fn tristimulus_values_and_chromaticities(bencher: Bencher) {
    let (grid, values) = spectra();
    let weights = Weights::new(Observer::Cie1931, &grid);
    bencher.counter(ItemsCount::new(SPECTRA)).bench(|| {
        let colors = weights.xyz_all(values.view()).unwrap();
        let hues = colors
            .rows()
            .into_iter()
            .map(|c| Xyz::new(c[0], c[1], c[2]).uv());
        hues.collect::<Vec<_>>()
    });
}
