//! The next walk as a ledger table to be filled in.

use super::walk::{Glow, Walk};
use crate::files;
use crate::{Error, Result};
use std::path::Path;

/// Writes the walk as a new ledger table, whole or not at all, its `label` to be filled in.
///
/// Columns `stop,patch_id,<group>,label,selection,inclusion_probability,reason,p_positive,latitude,longitude`;
/// `group` names the group's column. Colors are not in it: they are joined from the strip by `patch_id`.
///
/// # Errors
/// What the system refuses.
pub fn write_walk(path: &Path, glows: &[Glow], walk: &Walk, group: &str) -> Result<()> {
    let refused = |e: csv::Error| Error::io(path, std::io::Error::other(e));
    let mut writer = csv::Writer::from_writer(Vec::new());
    writer
        .write_record([
            "stop",
            "patch_id",
            group,
            "label",
            "selection",
            "inclusion_probability",
            "reason",
            "p_positive",
            "latitude",
            "longitude",
        ])
        .map_err(refused)?;
    for (number, stop) in walk.stops.iter().enumerate() {
        let glow = &glows[stop.glow];
        let place = |of: fn(&(f64, f64)) -> f64| {
            glow.position
                .as_ref()
                .map_or(String::new(), |p| format!("{:.7}", of(p)))
        };
        writer
            .write_record([
                (number + 1).to_string(),
                glow.id.clone(),
                glow.group.clone(),
                String::new(),
                stop.reason.selection().name().to_string(),
                stop.inclusion_probability.to_string(),
                stop.reason.name().to_string(),
                format!("{:.4}", glow.p_positive),
                place(|p| p.0),
                place(|p| p.1),
            ])
            .map_err(refused)?;
    }
    let bytes = writer
        .into_inner()
        .map_err(|e| Error::io(path, std::io::Error::other(e.to_string())))?;
    files::write_whole(path, &bytes)
}
