//! The invented glows: what each class emits under the laser, and what a site does to it.

use super::rig::{bell, edge};
use super::sites::Site;
use super::table;
use crate::simulation::{Draw, VirtualRig};
use crate::spectra::Spectrum;

/// Grid of the emission spectra in nm.
pub(super) const FIRST_NM: f64 = 440.0;
pub(super) const STEP_NM: f64 = 5.0;
pub(super) const COUNT: usize = 65;

/// What glows.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Class {
    Bone,
    Matrix,
    Calcite,
    Opal,
    Lichen,
    Litter,
}

impl Class {
    pub(super) const ALL: [Class; 6] = [
        Class::Bone,
        Class::Matrix,
        Class::Calcite,
        Class::Opal,
        Class::Lichen,
        Class::Litter,
    ];

    pub(super) fn name(self) -> &'static str {
        match self {
            Class::Bone => "bone",
            Class::Matrix => "matrix",
            Class::Calcite => "calcite",
            Class::Opal => "opal",
            Class::Lichen => "lichen",
            Class::Litter => "litter",
        }
    }

    /// Bands of the emission: peak in nm, standard deviation in nm, height.
    fn bands(self) -> &'static [(f64, f64, f64)] {
        match self {
            Class::Bone => &[(540.0, 40.0, 1.0), (600.0, 45.0, 0.25)],
            Class::Matrix => &[(600.0, 62.0, 1.0)],
            Class::Calcite => &[(613.0, 32.0, 1.0), (530.0, 50.0, 0.18)],
            Class::Opal => &[
                (505.0, 12.0, 0.8),
                (525.0, 12.0, 1.0),
                (548.0, 13.0, 0.55),
                (573.0, 15.0, 0.2),
            ],
            Class::Lichen => &[(575.0, 42.0, 0.8), (681.0, 10.0, 0.7), (730.0, 18.0, 0.4)],
            Class::Litter => &[(490.0, 35.0, 1.0), (545.0, 55.0, 0.45)],
        }
    }

    /// Typical brightness, and the standard deviation of its logarithm between patches.
    fn brightness(self) -> (f64, f64) {
        match self {
            Class::Bone => (1.0, 0.30),
            Class::Matrix => (0.30, 0.40),
            Class::Calcite => (0.60, 0.50),
            Class::Opal => (0.75, 0.45),
            Class::Lichen => (0.40, 0.40),
            Class::Litter => (1.30, 0.60),
        }
    }
}

/// One patch of ground.
#[derive(Debug, Clone)]
pub(super) struct Glow {
    /// Signal of the channels at irradiance 1, a share of full scale.
    pub signal: [f64; 3],
    /// Share of the white target's leak that this ground sends back.
    pub leak_share: f64,
}

/// The emission of bands, nothing at the laser and below.
pub(super) fn emission(bands: &[(f64, f64, f64)], shift: f64, width: f64) -> Spectrum {
    Spectrum::sampled(FIRST_NM, STEP_NM, COUNT, |nm| {
        sum_of(bands, nm, shift, width) * edge(nm, 468.0, 4.0)
    })
}

fn sum_of(bands: &[(f64, f64, f64)], nm: f64, shift: f64, width: f64) -> f64 {
    bands
        .iter()
        .map(|(peak, sd, height)| height * bell(nm, peak + shift, sd * width))
        .sum()
}

/// Bands of a class at a site and their shift in nm.
fn bands_at(class: Class, site: &Site) -> (&'static [(f64, f64, f64)], f64) {
    let bands = match class {
        Class::Lichen if site.lichen_like_bone => {
            &[(546.0, 44.0, 1.0), (681.0, 10.0, 0.35), (730.0, 18.0, 0.2)]
        }
        class => class.bands(),
    };
    let shift = match class {
        Class::Bone => site.bone_shift_nm,
        Class::Opal => site.opal_shift_nm,
        Class::Calcite => site.calcite_shift_nm,
        Class::Lichen => site.lichen_shift_nm,
        _ => 0.0,
    };
    (bands, shift)
}

/// Share of the emission that a film of iron oxide lets out: it swallows short wavelengths.
fn unstained(stain: f64, nm: f64) -> f64 {
    (-stain * edge(nm, 560.0, -22.0)).exp()
}

/// A patch of a class at a site.
pub(super) fn glow(class: Class, site: &Site, rig: &VirtualRig, draw: &mut Draw) -> Glow {
    let shift = 3.5 * draw.normal();
    let width = draw.factor(0.07);
    let (bands, site_shift) = bands_at(class, site);
    let own = emission(bands, site_shift + shift, width);
    let matrix = emission(Class::Matrix.bands(), 4.0 * draw.normal(), 1.0);
    let (typical, scatter) = class.brightness();
    let mut brightness = typical * draw.factor(scatter);
    let mut stain = site.stain * draw.factor(0.3);
    match class {
        Class::Bone if draw.uniform() < site.weathered => {
            brightness *= 0.28;
            stain += 0.35;
        }
        Class::Calcite if draw.uniform() < site.vein => brightness *= 3.2,
        Class::Lichen if site.lichen_like_bone => brightness *= 1.5,
        Class::Litter => stain *= 0.3,
        _ => {}
    }
    // Dust and soil cover part of a patch; its edge takes in some of the ground beside it.
    let covered = 0.35 * draw.uniform().powi(2);
    let matrix_brightness = Class::Matrix.brightness().0;
    let wet = site.brightness * (1.0 - 0.3 * site.moisture);
    let seen = Spectrum::sampled(FIRST_NM, STEP_NM, COUNT, |nm| {
        let ground = matrix_brightness * matrix.value_at(nm);
        let light = (1.0 - covered) * brightness * own.value_at(nm) + covered * ground;
        wet * light * unstained(stain, nm)
    });
    Glow {
        signal: rig.glow(&seen),
        leak_share: (0.35 + 0.12 * draw.normal()).clamp(0.05, 0.9) * (1.0 - 0.4 * site.moisture),
    }
}

/// Sites from which a sample of each class was measured.
const SAMPLED: [usize; 5] = [0, 1, 4, 8, 12];

/// Emission of samples of each class under two lasers, and rigs to choose between.
pub(super) fn files(sites: &[Site]) -> Vec<(String, Vec<u8>)> {
    // What 405 nm excites better or worse than 450 nm does, in the order of `ALL`.
    let under_405 = [1.25, 1.5, 1.0, 1.1, 0.6, 1.8];
    let options = [
        "450 nm and the season's filter,450,,targets/filter.csv,1,400,spectra/glow-450.csv",
        "450 nm and 500 nm,450,500,,1,,spectra/glow-450.csv",
        "450 nm and 520 nm,450,520,,1,,spectra/glow-450.csv",
        "405 nm and 430 nm,405,430,,0.7,,spectra/glow-405.csv",
        "405 nm and the season's filter,405,,targets/filter.csv,0.7,400,spectra/glow-405.csv",
    ];
    vec![
        emissions("spectra/glow-450.csv", sites, 0.0, [1.0; 6]),
        emissions("spectra/glow-405.csv", sites, -40.0, under_405),
        table(
            "spectra/options.csv",
            "option,laser_nm,cut_on_nm,filter,irradiance,laser_over_glow,spectra",
            options.map(String::from),
        ),
    ]
}

/// A wide table of emissions, which begin `onset_nm` from where they do under 450 nm.
fn emissions(path: &str, sites: &[Site], onset_nm: f64, factors: [f64; 6]) -> (String, Vec<u8>) {
    let samples: Vec<(Class, f64, usize, &Site)> = Class::ALL
        .into_iter()
        .zip(factors)
        .flat_map(|(class, factor)| {
            let of_class = SAMPLED.iter().enumerate();
            of_class.map(move |(i, site)| (class, factor, i + 1, &sites[*site]))
        })
        .collect();
    let header = samples
        .iter()
        .fold("wavelength_nm".to_string(), |text, (class, _, i, _)| {
            format!("{text},{}:{i}", class.name())
        });
    let rows = (0..COUNT + (-onset_nm / STEP_NM) as usize).map(|i| {
        let nm = FIRST_NM + onset_nm + STEP_NM * i as f64;
        samples
            .iter()
            .fold(format!("{nm}"), |text, (class, factor, _, site)| {
                let (bands, shift) = bands_at(*class, site);
                let height = factor * class.brightness().0 * site.brightness;
                let value = height * sum_of(bands, nm, shift, 1.0) * unstained(site.stain, nm);
                format!("{text},{:.5}", value * edge(nm, 468.0 + onset_nm, 4.0))
            })
    });
    table(path, &header, rows)
}
