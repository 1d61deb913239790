//! The invented rig: camera, filter, noise.

use super::table;
use crate::season::IrradianceLaw;
use crate::signal::{BitDepth, Response};
use crate::simulation::{Noise, VirtualRig};
use crate::spectra::{Filter, Sensitivities, Spectrum};

/// A Gaussian of height 1.
pub(super) fn bell(nm: f64, peak: f64, sd: f64) -> f64 {
    (-0.5 * ((nm - peak) / sd).powi(2)).exp()
}

/// A step of height 1 with a logistic edge.
pub(super) fn edge(nm: f64, at: f64, width: f64) -> f64 {
    1.0 / (1.0 + (-(nm - at) / width).exp())
}

/// Rounds to what the tables print, so that the rig on paper is the rig in the files.
fn printed(value: f64) -> f64 {
    (value * 1e5).round() / 1e5
}

fn camera() -> [Spectrum; 3] {
    let infrared_cut = |nm: f64| edge(nm, 668.0, -7.0);
    let curve = |of: &dyn Fn(f64) -> f64| {
        Spectrum::sampled(380.0, 5.0, 75, |nm| printed(of(nm) * infrared_cut(nm)))
    };
    [
        curve(&|nm| {
            bell(nm, 606.0, 32.0) + 0.08 * bell(nm, 535.0, 30.0) + 0.05 * bell(nm, 455.0, 20.0)
        }),
        curve(&|nm| {
            0.95 * (bell(nm, 530.0, 34.0)
                + 0.05 * bell(nm, 610.0, 30.0)
                + 0.12 * bell(nm, 472.0, 16.0))
        }),
        curve(&|nm| 0.8 * (bell(nm, 462.0, 26.0) + 0.05 * bell(nm, 535.0, 40.0))),
    ]
}

fn filter_curve() -> Spectrum {
    Spectrum::sampled(380.0, 2.0, 186, |nm| printed(0.93 * edge(nm, 480.4, 3.0)))
}

/// The rig as it was at the calibration.
pub(super) fn rig() -> VirtualRig {
    VirtualRig {
        sensitivities: Sensitivities::new(camera()),
        filter: Filter::new(filter_curve()).expect("an edge of 0.93 lies within 0 to 1"),
        gain: 0.0018,
        black: [0.0042, 0.0040, 0.0045],
        leak: [0.0006, 0.0011, 0.0075],
        irradiance: IrradianceLaw::Fan,
        height_m: 6.0,
        noise: [Noise {
            full_scale_electrons: 22_000.0,
            read_electrons: 9.0,
        }; 3],
        response: Response::Srgb,
        depth: BitDepth::EIGHT,
    }
}

/// The curves of the camera and of the filter.
pub(super) fn files() -> Vec<(String, Vec<u8>)> {
    let [r, g, b] = camera();
    let camera = (0..r.values().len()).map(|i| {
        let [r, g, b] = [&r, &g, &b].map(|curve| curve.values()[i]);
        format!("{},{r:.5},{g:.5},{b:.5}", 380 + 5 * i)
    });
    let filter = filter_curve();
    let filter = filter.wavelengths().iter().zip(filter.values());
    vec![
        table("targets/camera.csv", "wavelength_nm,r,g,b", camera),
        table(
            "targets/filter.csv",
            "wavelength_nm,transmission",
            filter.map(|(nm, passed)| format!("{nm},{passed:.5}")),
        ),
    ]
}
