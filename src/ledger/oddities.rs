//! Patches that look as if something went wrong on the way into the table.

use super::Patch;
use crate::calibration::{Measurement, Rig, Role};
use crate::colorimetry::{Chromaticity, beyond_locus_uv};
use crate::season::ChromaticityKind;
use crate::signal::{CodeValues, LinearSignal, Reading, listed, odd_units};
use std::collections::BTreeMap;
use std::path::Path;

/// Patches with a larger share of clipped pixels are told.
const CLIPPED: f64 = 0.02;
/// An exposure so many times longer or shorter than the calibration's is asked about.
const EXPOSURES: f64 = 50.0;
/// A filter passes a little below its edge.
const EDGE_NM: f64 = 20.0;
/// A color is impossible where it lies farther outside, beyond its own uncertainty.
const OUTSIDE_UV: f64 = 0.01;

/// What is odd of patches and of what was measured of them, in plain sentences.
pub fn oddities(patches: &[Patch], measurements: &[Measurement], rig: &Rig) -> Vec<String> {
    let named = patches.iter().map(|p| (p.id.clone(), &p.reading));
    let mut told = clipped(patches);
    told.extend(odd_units(named, rig.bit_depth));
    told.extend(other_exposures(patches, rig));
    told.extend(impossible(patches, measurements, rig));
    told
}

/// Says which patches of each table have clipped pixels.
pub(super) fn clipped(patches: &[Patch]) -> Vec<String> {
    let mut tables: BTreeMap<&Path, Vec<String>> = BTreeMap::new();
    for patch in patches.iter().filter(|p| p.reading.clipped > CLIPPED) {
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
            "{} {patches} of {name} {have} more than {:.0} % of their pixels clipped ({}); their color leans \
             towards white.",
            ids.len(),
            100.0 * CLIPPED,
            listed(&ids)
        )
    };
    tables.into_iter().map(of_table).collect()
}

fn other_exposures(patches: &[Patch], rig: &Rig) -> Option<String> {
    let times = |p: &Patch| {
        p.reading
            .capture
            .exposure_s
            .zip(rig.exposure.exposure_s)
            .map(|(a, b)| a / b)
    };
    let far: Vec<(&Patch, f64)> = patches
        .iter()
        .filter_map(|p| Some((p, times(p)?)))
        .filter(|(_, times)| !(1.0 / EXPOSURES..=EXPOSURES).contains(times))
        .collect();
    let (_, first) = *far.first()?;
    let ids: Vec<String> = far.iter().map(|(p, _)| p.id.clone()).collect();
    Some(format!(
        "exposure_s is {first:.3} times that of the calibration in {}. Are both in seconds?",
        listed(&ids)
    ))
}

/// Patches of a color that no light has that the filter passes.
fn impossible(patches: &[Patch], measurements: &[Measurement], rig: &Rig) -> Option<String> {
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
    let exchanged = |p: &Patch| rig.measure(&exchanged(&p.reading), Role::Ground);
    let (mut ids, mut mended) = (Vec::new(), 0);
    for (patch, measurement) in patches.iter().zip(measurements) {
        if possible(measurement) {
            continue;
        }
        let other = exchanged(patch);
        let mends = !other.too_faint && possible(&other);
        // One without a color may be dark ground; it counts where the other order shows a glow.
        if mends || !measurement.too_faint {
            ids.push(patch.id.clone());
            mended += usize::from(mends);
        }
    }
    let reason = match 2 * mended > ids.len() {
        true => {
            "with red and blue exchanged they would be possible: check the order of the channels"
        }
        false => "check the boxes, the dark level and that they are of this rig",
    };
    (!ids.is_empty()).then(|| {
        format!(
            "{} of {} patches have a color that no light has which the filter passes ({}); {reason}.",
            ids.len(),
            patches.len(),
            listed(&ids)
        )
    })
}

/// The reading with red and blue exchanged.
fn exchanged(reading: &Reading) -> Reading {
    let turn = |[r, g, b]: [f64; 3]| [b, g, r];
    Reading {
        code: CodeValues(turn(reading.code.0)),
        signal: LinearSignal(turn(reading.signal.0)),
        pixel_sd: reading.pixel_sd.map(turn),
        ..reading.clone()
    }
}
