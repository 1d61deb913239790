//! Made-up data for trying the figures, and the checks that every figure has to pass.

use super::Figure;
use crate::numeric::stream;
use rand::RngExt;

/// Points scattered about a middle, from a fixed seed.
pub fn cloud(count: usize, middle: [f64; 2], sd: f64, seed: u64) -> Vec<[f64; 2]> {
    let mut rng = stream(seed, "trial cloud", 0);
    let mut bell = || (0..12).map(|_| rng.random::<f64>()).sum::<f64>() - 6.0;
    (0..count)
        .map(|_| {
            let (a, b) = (bell(), bell());
            [
                middle[0] + sd * (0.8 * a + 0.4 * b),
                middle[1] + sd * 0.7 * b,
            ]
        })
        .collect()
}

/// The spectral locus.
pub fn locus() -> Vec<(f64, [f64; 2])> {
    use crate::colorimetry::{Observer, spectral_locus_uv};
    let locus = spectral_locus_uv(Observer::Cie1931);
    locus.iter().map(|(nm, c)| (*nm, [c.u, c.v])).collect()
}

/// Checks what every figure must hold, and keeps it to be looked at where `BONEGLOW_FIGURES` names
/// a folder.
pub fn keep(figure: &Figure) {
    keep_as(figure, &figure.name);
}

/// As [`keep`], under another name.
pub fn keep_as(figure: &Figure, name: &str) {
    let svg = &figure.svg;
    assert!(svg.starts_with("<svg ") && svg.trim_end().ends_with("</svg>"));
    assert!(svg.contains("<title id=") && svg.contains("<desc id="));
    for broken in ["NaN", "inf\"", "-2147483648", "2147483647"] {
        assert!(!svg.contains(broken), "{name}: {broken}");
    }
    assert!(svg.matches("<text").count() >= 3, "{name}: no words");
    assert!(!figure.description.contains("NaN"));
    if let Some(folder) = std::env::var_os("BONEGLOW_FIGURES") {
        let path = std::path::Path::new(&folder).join(format!("{name}.svg"));
        crate::files::write_whole(&path, svg.as_bytes()).unwrap();
    }
}
