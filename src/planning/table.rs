//! The next walk as a ledger table to be filled in.

use super::walk::{Glow, Walk};
use crate::files;
use crate::numeric::{at_most_digits, decimal};

/// Columns that the plan itself fills or leaves to be filled.
const OWN: [&str; 9] = [
    "stop",
    "patch_id",
    "label",
    "selection",
    "inclusion_probability",
    "reason",
    "p_positive",
    "latitude",
    "longitude",
];

/// The walk as a new ledger table, its `label` to be filled in.
///
/// Patches of earlier audits follow without a number of a stop: their larger inclusion probability counts from now
/// on, and their label stands where it stood.
///
/// Columns `stop,patch_id,label,selection,inclusion_probability,reason,p_positive,latitude,longitude`, then
/// those that the glows' records have, in the order of their first appearance.
pub fn walk_to_csv(glows: &[Glow], walk: &Walk) -> Vec<u8> {
    let mut kept: Vec<&str> = Vec::new();
    for stop in walk.stops.iter().chain(&walk.audited_before) {
        for (column, _) in &glows[stop.glow].record {
            if !OWN.contains(&column.as_str()) && !kept.contains(&column.as_str()) {
                kept.push(column);
            }
        }
    }
    let numbered = (1..).map(|number: usize| (number.to_string(), None));
    let before = std::iter::repeat((String::new(), Some("audited-before")));
    let stops = walk.stops.iter().zip(numbered);
    let rows = stops.chain(walk.audited_before.iter().zip(before));
    let rows = rows.map(|(stop, (number, reason))| {
        let glow = &glows[stop.glow];
        let degrees = |value: Option<f64>| value.map_or(String::new(), |v| decimal(v, 7));
        let mut cells = vec![
            number,
            glow.id.clone(),
            String::new(),
            stop.reason.selection().name().to_string(),
            stop.inclusion_probability.to_string(),
            reason.unwrap_or(stop.reason.name()).to_string(),
            at_most_digits(glow.p_positive, 4),
            degrees(glow.position.map(|p| p.0)),
            degrees(glow.position.map(|p| p.1)),
        ];
        cells.extend(kept.iter().map(|column| {
            let own = glow.record.iter().find(|(name, _)| name == column);
            own.map_or(String::new(), |(_, cell)| cell.clone())
        }));
        cells
    });
    files::to_csv(OWN.iter().chain(&kept), rows)
}

#[cfg(test)]
mod tests {
    use super::super::walk::{Reason, Stop};
    use super::*;
    use crate::threshold::Decision;

    #[test]
    fn the_table_waits_for_labels_and_keeps_what_the_glows_bring() {
        let glow = |id: &str, record: &[(&str, &str)]| Glow {
            id: id.to_string(),
            p_positive: 0.25,
            decision: Decision::Walk,
            position: None,
            source: String::new(),
            audited: None,
            record: record
                .iter()
                .map(|(a, b)| (a.to_string(), b.to_string()))
                .collect(),
        };
        let glows = [
            glow("a", &[("site", "north"), ("r", "12")]),
            glow("b", &[("r", "13"), ("night", "2"), ("label", "bone")]),
            glow("c", &[("r", "14")]),
        ];
        let stop = |glow: usize, reason: Reason, p: f64| Stop {
            glow,
            reason,
            inclusion_probability: p,
        };
        let walk = Walk {
            stops: vec![stop(1, Reason::Audit, 0.125), stop(0, Reason::Highest, 1.0)],
            audited_before: vec![stop(2, Reason::Audit, 0.125)],
            audited_among: 1,
            kilometers: None,
            warnings: Vec::new(),
        };
        let text = String::from_utf8(walk_to_csv(&glows, &walk)).unwrap();
        assert_eq!(
            text,
            "stop,patch_id,label,selection,inclusion_probability,reason,p_positive,latitude,longitude,r,night,site\n\
             1,b,,audit,0.125,audit,0.25,,,13,2,\n\
             2,a,,flagged,1,highest,0.25,,,12,,north\n\
             ,c,,audit,0.125,audited-before,0.25,,,14,,\n"
        );
    }
}
