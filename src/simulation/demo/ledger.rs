//! The invented ledger: patches seen on the nights, and which of them somebody walked to.

use super::glows::{Class, Glow, glow};
use super::sites::{NIGHTS, Site};
use super::{SEED, table, targets};
use crate::simulation::{Draw, VirtualRig};

const HEADER: &str = "patch_id,site,night,label,r,g,b,r_sd,g_sd,b_sd,pixels,exposure_s,gain_db,\
                      height_m,latitude,longitude,selection,inclusion_probability,checked_on,\
                      checked_by,evidence";

/// Glowing patches seen at a site in the season.
const PER_SITE: usize = 52;
/// Share of the patches that were not flagged which was drawn at random for checking.
const AUDIT: f64 = 0.25;
/// Share of the rest that somebody passed by and looked at.
const OPPORTUNISTIC: f64 = 0.10;

/// How the team decided where to walk before it had a classifier.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Selection {
    Flagged,
    Audit,
    Opportunistic,
    Unchecked,
}

/// The ledger's tables: two nights each.
pub(super) fn files(rig: &VirtualRig, sites: &[Site]) -> Vec<(String, Vec<u8>)> {
    let mut rows: Vec<(usize, String)> = Vec::new();
    for (number, site) in sites.iter().enumerate() {
        site_rows(rig, site, number, &mut rows);
    }
    ["spring", "summer", "autumn"]
        .iter()
        .enumerate()
        .map(|(third, name)| {
            let of_table = rows.iter().filter(|(night, _)| night / 2 == third);
            table(
                &format!("ledger/{name}.csv"),
                HEADER,
                of_table.map(|(_, row)| row.clone()),
            )
        })
        .collect()
}

fn site_rows(rig: &VirtualRig, site: &Site, number: usize, rows: &mut Vec<(usize, String)>) {
    let mut draw = Draw::new(SEED, "demo ledger", number as u64);
    let count = PER_SITE + draw.index(9) - 4;
    for patch in 0..count {
        let class = Class::ALL[draw.weighted(&site.mix)];
        let glow = glow(class, site, rig, &mut draw);
        let date = site.nights[usize::from(draw.uniform() < 0.4)];
        let night = NIGHTS.iter().position(|n| *n == date).unwrap_or(0);
        let height = (6.2 + 0.9 * draw.normal()).clamp(4.2, 9.0);
        let mean = rig.mean(glow.signal, glow.leak_share, height, 1.0);
        let texture = draw.between(0.05, 0.22);
        let codes = targets::codes(rig, mean, texture, &mut draw);
        let selection = selection(&glow, height, &mut draw);
        let (label, checked) = check(class, selection, date, &mut draw);
        let (selection, probability) = match selection {
            Selection::Flagged => ("flagged", "1".to_string()),
            Selection::Audit => ("audit", format!("{AUDIT}")),
            Selection::Opportunistic => ("opportunistic", String::new()),
            Selection::Unchecked => ("", String::new()),
        };
        let initials: String = site
            .name
            .split(' ')
            .filter_map(|w| w.chars().next())
            .collect();
        let (latitude, longitude) = site.place;
        rows.push((
            night,
            format!(
                "{initials}-{:03},{},{date},{label},{codes},0.008,18,{height:.2},{:.6},{:.6},\
                 {selection},{probability},{checked}",
                patch + 1,
                site.name,
                latitude + 2.5e-4 * draw.normal(),
                longitude + 3e-4 * draw.normal(),
            ),
        ));
    }
}

/// Last year's rule of thumb: bright and greenish yellow is worth a walk, more or less.
fn selection(glow: &Glow, height: f64, draw: &mut Draw) -> Selection {
    let [r, g, b] = glow.signal;
    let sum = r + g + b;
    let hue = ((r / sum - 0.41) / 0.09).powi(2) + ((g / sum - 0.52) / 0.08).powi(2);
    let bright = (sum * 6.0 / height / 0.05).ln();
    let score = 0.8 * bright - 0.55 * hue.min(8.0) + 1.2 * draw.normal();
    if score > -1.2 {
        Selection::Flagged
    } else if draw.uniform() < AUDIT {
        Selection::Audit
    } else if draw.uniform() < OPPORTUNISTIC {
        Selection::Opportunistic
    } else {
        Selection::Unchecked
    }
}

/// The label and the cells `checked_on,checked_by,evidence`; both empty where nobody went.
fn check(
    class: Class,
    selection: Selection,
    night: &str,
    draw: &mut Draw,
) -> (&'static str, String) {
    if selection == Selection::Unchecked {
        return ("", ",,".to_string());
    }
    let by = ["observer A", "observer B", "observer C"][draw.index(3)];
    let evidence = match class {
        Class::Bone => ["surface texture", "cross section", "collected"],
        Class::Matrix => ["nothing but sediment", "sediment", "acid test"],
        Class::Calcite => ["acid test", "crystal faces", "scratch test"],
        Class::Opal => ["hardness", "fracture", "hand lens"],
        Class::Lichen => ["hand lens", "scraped off", "hand lens"],
        Class::Litter => ["picked up", "picked up", "hand lens"],
    }[draw.index(3)];
    let [year, month, day] = [0..4, 5..7, 8..10].map(|part| night.get(part).unwrap_or(""));
    let day = day.parse::<u32>().unwrap_or(1) + 1 + draw.index(2) as u32;
    let on = match (month, day) {
        ("07", 32) => "08-01".to_string(),
        _ => format!("{month}-{day:02}"),
    };
    (class.name(), format!("{year}-{on},{by},{evidence}"))
}
