//! The invented strips: stacked laser lines over ground with marked truth.

use super::glows::{Class, glow};
use super::rig::bell;
use super::sites::{Site, site};
use super::{SEED, pictures, table};
use crate::Result;
use crate::signal::LinearSignal;
use crate::simulation::{Draw, VirtualRig};
use std::f64::consts::TAU;

/// A strip to be flown.
struct Plan {
    stem: &'static str,
    /// Number of its site, beyond those of the ledger.
    site: usize,
    /// What the team calls it; no such place exists.
    place: &'static str,
    rows: usize,
    width: usize,
    /// Glowing things on the ground, of which the first are bone.
    things: usize,
    bones: usize,
    heading_deg: f64,
}

/// Pixels across the strips of the season.
pub(super) const WIDTH: usize = 640;

const PLANS: [Plan; 2] = [
    Plan {
        stem: "north-line",
        site: 16,
        place: "Quarrel Gap",
        rows: 1600,
        width: WIDTH,
        things: 34,
        bones: 7,
        heading_deg: 12.0,
    },
    Plan {
        stem: "south-line",
        site: 17,
        place: "Russet Spur",
        rows: 1600,
        width: WIDTH,
        things: 34,
        bones: 6,
        heading_deg: 96.0,
    },
];

/// The night on which the strips were flown, after those of the ledger.
const NIGHT: &str = "2031-10-24";

/// Field of view across the strip in degrees, as in the season file.
const FOV_DEG: f64 = 70.0;
const LINES_PER_S: f64 = 100.0;
const METERS_PER_DEGREE: f64 = 111_195.0;

/// A blob on the ground.
struct Thing {
    class: Class,
    /// Signal at irradiance 1 without dark and leak.
    signal: [f64; 3],
    leak_share: f64,
    x: f64,
    y: f64,
    along: f64,
    across: f64,
    turn: f64,
    /// Lobes of its outline.
    lobes: [(f64, f64); 3],
}

impl Thing {
    /// How much of a pixel is this thing, 0 to 1.
    fn cover(&self, x: f64, y: f64) -> f64 {
        let (dx, dy) = (x - self.x, y - self.y);
        let (sine, cosine) = self.turn.sin_cos();
        let (a, b) = (
            (dx * cosine + dy * sine) / self.along,
            (dy * cosine - dx * sine) / self.across,
        );
        let radius = a.hypot(b);
        if radius > 1.8 {
            return 0.0;
        }
        let angle = b.atan2(a);
        let outline = 1.0
            + self
                .lobes
                .iter()
                .zip([2.0, 3.0, 5.0])
                .map(|((size, phase), lobe)| size * (lobe * angle + phase).sin())
                .sum::<f64>();
        let softness = 0.7 / self.across.min(self.along);
        (0.5 + (outline - radius) / softness).clamp(0.0, 1.0)
    }

    /// The box of what it covers more than half: x, y, width, height in pixels.
    fn bounds(&self, plan: &Plan) -> Option<(usize, usize, usize, usize)> {
        let reach = 1.9 * self.along.max(self.across);
        let range = |middle: f64, size: usize| {
            let low = (middle - reach).floor().max(0.0) as usize;
            let high = ((middle + reach).ceil().max(0.0) as usize).min(size);
            low..high
        };
        let mut found: Option<(usize, usize, usize, usize)> = None;
        for y in range(self.y, plan.rows) {
            for x in range(self.x, plan.width) {
                if self.cover(x as f64 + 0.5, y as f64 + 0.5) > 0.5 {
                    let (left, top, right, bottom) = found.unwrap_or((x, y, x, y));
                    found = Some((left.min(x), top.min(y), right.max(x), bottom.max(y)));
                }
            }
        }
        found.map(|(left, top, right, bottom)| (left, top, right - left + 1, bottom - top + 1))
    }
}

/// Pictures, row tables and marks of all strips.
pub(super) fn files(rig: &VirtualRig) -> Result<Vec<(String, Vec<u8>)>> {
    let mut files = Vec::new();
    for plan in &PLANS {
        let site = site(plan.stem, plan.site);
        let mut draw = Draw::new(SEED, "demo strip", plan.site as u64);
        let things = things(plan, &site, rig, &mut draw);
        let heights = heights(plan, &mut draw);
        files.push(row_table(plan, &site, &heights, &mut draw));
        files.push(marks(plan, &things));
        let codes = codes(plan, &site, rig, &things, &heights, &mut draw);
        let codes: Vec<u8> = codes.iter().map(|code| *code as u8).collect();
        let picture = pictures::png8(plan.width, plan.rows, &codes)?;
        files.push((format!("strips/{}.png", plan.stem), picture));
    }
    Ok(files)
}

fn things(plan: &Plan, site: &Site, rig: &VirtualRig, draw: &mut Draw) -> Vec<Thing> {
    let mut found: Vec<Thing> = Vec::new();
    let rest = {
        let mut mix = site.mix;
        mix[0] = 0.0;
        mix[1] *= 0.25;
        mix
    };
    while found.len() < plan.things {
        let class = if found.len() < plan.bones {
            Class::Bone
        } else {
            Class::ALL[draw.weighted(&rest)]
        };
        let size = draw.between(3.5, 13.0);
        let thing = Thing {
            class,
            signal: [0.0; 3],
            leak_share: 0.0,
            x: draw.between(24.0, plan.width as f64 - 24.0),
            y: draw.between(24.0, plan.rows as f64 - 24.0),
            along: size * draw.between(1.0, 2.0),
            across: size,
            turn: draw.between(0.0, std::f64::consts::PI),
            lobes: std::array::from_fn(|_| (draw.between(0.0, 0.14), draw.between(0.0, TAU))),
        };
        let apart = |other: &Thing| (thing.x - other.x).hypot(thing.y - other.y) > 60.0;
        if !found.iter().all(apart) {
            continue;
        }
        let glow = glow(class, site, rig, draw);
        found.push(Thing {
            signal: glow.signal,
            leak_share: glow.leak_share,
            ..thing
        });
    }
    found
}

/// Height of each row in m: a slow drift and a tremble.
fn heights(plan: &Plan, draw: &mut Draw) -> Vec<f64> {
    let (phase, slow) = (draw.between(0.0, TAU), draw.between(400.0, 700.0));
    let mut tremble = 0.0;
    (0..plan.rows)
        .map(|row| {
            tremble = 0.98 * tremble + 0.012 * draw.normal();
            let height = 6.0 + 0.45 * (row as f64 / slow + phase).sin() + tremble;
            (height * 100.0).round() / 100.0
        })
        .collect()
}

/// The line's light across a picture: the fan of the laser is weaker towards its ends.
pub(super) fn fan(x: usize, width: usize) -> f64 {
    bell(x as f64, 0.5 * width as f64, 0.75 * width as f64)
}

/// Meters on the ground per row of the strip; about as long as a pixel is wide.
fn row_pitch(plan: &Plan) -> f64 {
    2.0 * 6.0 * (FOV_DEG / 2.0).to_radians().tan() / plan.width as f64
}

fn row_table(plan: &Plan, site: &Site, heights: &[f64], draw: &mut Draw) -> (String, Vec<u8>) {
    let (mut north, mut east) = site.place;
    let mut wander = 0.0;
    let rows = heights.iter().enumerate().map(|(row, height)| {
        wander = 0.995 * wander + 0.03 * draw.normal();
        let heading = plan.heading_deg + wander;
        let (sine, cosine) = heading.to_radians().sin_cos();
        let meters = row_pitch(plan) / METERS_PER_DEGREE;
        north += meters * cosine;
        east += meters * sine / north.to_radians().cos();
        format!(
            "{row},{:.2},{north:.7},{east:.7},{height:.2},{heading:.2},{},{NIGHT}",
            row as f64 / LINES_PER_S,
            plan.place
        )
    });
    table(
        &format!("strips/{}.rows.csv", plan.stem),
        "row,time_s,latitude,longitude,height_m,heading_deg,site,night",
        rows,
    )
}

fn marks(plan: &Plan, things: &[Thing]) -> (String, Vec<u8>) {
    let rows = things.iter().filter_map(|thing| {
        let (x, y, width, height) = thing.bounds(plan)?;
        Some(format!("{x},{y},{width},{height},{}", thing.class.name()))
    });
    table(
        &format!("strips/{}.marks.csv", plan.stem),
        "x,y,width,height,label",
        rows,
    )
}

/// A smooth random field of about unit standard deviation, on a coarse lattice.
struct Field {
    columns: usize,
    pitch: f64,
    values: Vec<f64>,
}

impl Field {
    fn new(plan: &Plan, pitch: f64, draw: &mut Draw) -> Self {
        let columns = (plan.width as f64 / pitch) as usize + 2;
        let rows = (plan.rows as f64 / pitch) as usize + 2;
        Field {
            columns,
            pitch,
            values: (0..columns * rows).map(|_| draw.normal()).collect(),
        }
    }

    fn at(&self, x: usize, y: usize) -> f64 {
        let (x, y) = (x as f64 / self.pitch, y as f64 / self.pitch);
        let (left, top) = (x as usize, y as usize);
        let (across, down) = (x.fract(), y.fract());
        let value = |row: usize, column: usize| self.values[row * self.columns + column];
        let upper = value(top, left) * (1.0 - across) + value(top, left + 1) * across;
        let lower = value(top + 1, left) * (1.0 - across) + value(top + 1, left + 1) * across;
        upper * (1.0 - down) + lower * down
    }
}

fn codes(
    plan: &Plan,
    site: &Site,
    rig: &VirtualRig,
    things: &[Thing],
    heights: &[f64],
    draw: &mut Draw,
) -> Vec<u16> {
    // Bare sediment glows far more faintly than a patch that anybody would note.
    let ground = glow(Class::Matrix, site, rig, draw)
        .signal
        .map(|v| v * 0.12);
    let fields = [Field::new(plan, 70.0, draw), Field::new(plan, 9.0, draw)];
    let mut near: Vec<Vec<&Thing>> = vec![Vec::new(); plan.rows];
    for thing in things {
        let reach = 1.9 * thing.along.max(thing.across);
        let low = (thing.y - reach).max(0.0) as usize;
        let high = ((thing.y + reach) as usize + 1).min(plan.rows);
        near[low..high].iter_mut().for_each(|row| row.push(thing));
    }
    let mut codes = Vec::with_capacity(plan.rows * plan.width * 3);
    for y in 0..plan.rows {
        for x in 0..plan.width {
            let rough = (0.35 * fields[0].at(x, y) + 0.15 * fields[1].at(x, y)).exp();
            let mut glow = ground.map(|v| v * rough);
            let mut leak_share = 0.35;
            for thing in &near[y] {
                let cover = thing.cover(x as f64 + 0.5, y as f64 + 0.5);
                if cover > 0.0 {
                    let texture = (0.12 * fields[1].at(x, y)).exp();
                    for (value, own) in glow.iter_mut().zip(thing.signal) {
                        *value += cover * (own * texture - *value);
                    }
                    leak_share += cover * (thing.leak_share - leak_share);
                }
            }
            let fan = fan(x, plan.width);
            let mean: LinearSignal = rig.mean(glow, leak_share, heights[y], fan);
            codes.extend(rig.pixel(mean, draw));
        }
    }
    codes
}
