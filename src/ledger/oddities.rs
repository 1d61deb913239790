//! Patches that look as if something went wrong on the way into the table.

use super::Patch;
use crate::calibration::{Measurement, Rig, Role};
use crate::colorimetry::{Chromaticity, beyond_locus_uv};
use crate::season::ChromaticityKind;
use crate::signal::{
    CodeValues, LinearSignal, MOST_CLIPPED, Reading, TOLD_CLIPPED, listed, odd_units,
    other_exposures,
};
use crate::{Error, Result};
use std::collections::BTreeMap;
use std::path::Path;

/// A filter passes a little below its edge.
const EDGE_NM: f64 = 20.0;
/// A color is impossible where it lies farther outside, beyond its own uncertainty.
const OUTSIDE_UV: f64 = 0.01;
/// With a larger share of impossible colors, what the ledger holds is not what the rig was calibrated for.
const IMPOSSIBLE: f64 = 0.1;

/// What is odd of patches and of what was measured of them, in plain sentences.
pub fn oddities(patches: &[Patch], measurements: &[Measurement], rig: &Rig) -> Vec<String> {
    let named = patches.iter().map(|p| (p.id.clone(), &p.reading));
    let mut told = clipped(patches);
    told.extend(odd_units(named, rig.bit_depth));
    told.extend(unlike_the_calibrations(patches, rig));
    let impossible = Impossible::among(patches, measurements, rig);
    told.extend(impossible.map(|found| found.sentence() + "."));
    told
}

/// Fails where so many patches have a color that no light has, measured with a rig that passed its
/// calibration, that nothing is to be learnt from them.
///
/// # Errors
/// Says how many they are, which, and what to check.
pub fn check_colors(patches: &[Patch], measurements: &[Measurement], rig: &Rig) -> Result<()> {
    let found = Impossible::among(patches, measurements, rig);
    match found.filter(|found| rig.passed && found.share() > IMPOSSIBLE) {
        Some(found) => Err(Error::input(found.what()).remedy(found.reason())),
        None => Ok(()),
    }
}

/// Says which patches of each table have clipped pixels, and what that does to them.
pub(super) fn clipped(patches: &[Patch]) -> Vec<String> {
    let many = clipped_by_more(patches, MOST_CLIPPED, f64::INFINITY);
    let some = clipped_by_more(patches, TOLD_CLIPPED, MOST_CLIPPED);
    let told = |effect: &'static str| move |which: String| format!("{which}: {effect}.");
    let many = many
        .into_iter()
        .map(told("they get no color and no decision"));
    let some = some.into_iter().map(told("their color is a little off"));
    many.chain(some).collect()
}

/// Of each table, which patches have more than `least` of their pixels clipped and no more than `most`.
fn clipped_by_more(patches: &[Patch], least: f64, most: f64) -> Vec<String> {
    let mut tables: BTreeMap<&Path, Vec<String>> = BTreeMap::new();
    let within = |p: &&Patch| p.reading.clipped > least && p.reading.clipped <= most;
    for patch in patches.iter().filter(within) {
        tables
            .entry(&patch.file)
            .or_default()
            .push(patch.id.clone());
    }
    let of_table = |(file, ids): (&Path, Vec<String>)| {
        let name = file.file_name().map_or_else(
            || file.display().to_string(),
            |name| name.to_string_lossy().to_string(),
        );
        let (patches, have) = match ids.len() {
            1 => ("patch", "has"),
            _ => ("patches", "have"),
        };
        format!(
            "{} {patches} of {name} {have} more than {:.0} % of their pixels clipped ({})",
            ids.len(),
            100.0 * least,
            listed(&ids)
        )
    };
    tables.into_iter().map(of_table).collect()
}

fn unlike_the_calibrations(patches: &[Patch], rig: &Rig) -> Option<String> {
    let times = |p: &Patch| {
        let ratio = p.reading.capture.exposure_s? / rig.exposure.exposure_s?;
        Some((p.id.clone(), ratio))
    };
    other_exposures(patches.iter().filter_map(times))
}

/// Patches of a color that no light has that the filter passes.
struct Impossible {
    ids: Vec<String>,
    /// How many of them would be possible with red and blue exchanged.
    mended: usize,
    patches: usize,
}

impl Impossible {
    fn among(patches: &[Patch], measurements: &[Measurement], rig: &Rig) -> Option<Self> {
        if !rig.calibrated {
            return None;
        }
        let from_nm = match rig.chromaticity {
            ChromaticityKind::ThroughFilter => rig.filter_cut_on_nm - EDGE_NM,
            ChromaticityKind::Emission => rig.laser_nm,
        };
        let possible = |m: &Measurement| match &m.color {
            Some(color) => {
                let outside = beyond_locus_uv(Chromaticity::new(color.u, color.v), from_nm);
                outside < OUTSIDE_UV + 3.0 * color.sd()[0].max(color.sd()[1])
            }
            None => false,
        };
        let mut found = Impossible {
            ids: Vec::new(),
            mended: 0,
            patches: patches.len(),
        };
        for (patch, measurement) in patches.iter().zip(measurements) {
            if measurement.is_clipped() || possible(measurement) {
                continue;
            }
            let other = rig.measure(&exchanged(&patch.reading), Role::Ground);
            let mends = !other.too_faint && possible(&other);
            // One without a color may be dark ground; it counts where the other order shows a glow.
            if mends || !measurement.too_faint {
                found.ids.push(patch.id.clone());
                found.mended += usize::from(mends);
            }
        }
        (!found.ids.is_empty()).then_some(found)
    }

    fn share(&self) -> f64 {
        self.ids.len() as f64 / self.patches as f64
    }

    fn what(&self) -> String {
        format!(
            "{} of {} patches have a color that no light has which the filter passes ({})",
            self.ids.len(),
            self.patches,
            listed(&self.ids)
        )
    }

    fn reason(&self) -> &'static str {
        match 2 * self.mended > self.ids.len() {
            true => {
                "with red and blue exchanged they would be possible: check the order of the columns r, g, b and the \
                 camera's order of channels"
            }
            false => "check the boxes, the dark level and that they are of this rig",
        }
    }

    fn sentence(&self) -> String {
        format!("{}; {}", self.what(), self.reason())
    }
}

/// The reading with red and blue exchanged.
fn exchanged(reading: &Reading) -> Reading {
    let turn = |[r, g, b]: [f64; 3]| [b, g, r];
    Reading {
        code: CodeValues(turn(reading.code.0)),
        signal: LinearSignal(turn(reading.signal.0)),
        pixel_sd: reading.pixel_sd.map(turn),
        written_sd: turn(reading.written_sd),
        ..reading.clone()
    }
}
