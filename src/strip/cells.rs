//! Any classifier's answer for each color that occurs, asked once a color.
//!
//! A classifier that takes a microsecond or more a color (a forest, nearest neighbors) is asked
//! once for each cell of a grid over (u', v', log10 luminance): 1/2048 in u' and v', 1/64 in log10
//! luminance. Half a cell, 0.0003 in u'v' and 2 % in luminance, is a small part of what a pixel's
//! color is known to.

use super::Judge;
use super::pixels::ColorRow;
use std::collections::HashMap;
use std::hash::{BuildHasherDefault, Hasher};
use std::sync::{Arc, Mutex, RwLock};

const UV_STEPS: f32 = 2048.0;
const LOG_STEPS: f32 = 64.0;
/// Log luminance of the lowest cell.
const LOG_LOWEST: f32 = -8.0;
/// Cells that are remembered at once; beyond, all are forgotten and asked again when they occur.
const MOST_CELLS: usize = 1 << 20;

/// What is known of the colors of a cell.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct CellAnswer {
    /// Probability of being worth a walk.
    pub positive: f32,
    /// The most probable class.
    pub class: u8,
    pub novel: bool,
}

/// Answers by cell; shared by all threads.
pub(super) struct Cells<'a> {
    judge: &'a dyn Judge,
    current: Mutex<Arc<RwLock<Answers>>>,
}

#[derive(Default)]
struct Answers {
    places: HashMap<u32, u32, BuildHasherDefault<CellHasher>>,
    answers: Vec<CellAnswer>,
    classes: Vec<f32>,
}

#[derive(Default)]
struct CellHasher(u64);

impl Hasher for CellHasher {
    fn finish(&self) -> u64 {
        self.0
    }

    fn write(&mut self, bytes: &[u8]) {
        for byte in bytes {
            self.write_u32(u32::from(*byte));
        }
    }

    fn write_u32(&mut self, key: u32) {
        // Fibonacci hashing, with the high bits folded down.
        let spread = (self.0 ^ u64::from(key)).wrapping_mul(0x9e37_79b9_7f4a_7c15);
        self.0 = spread ^ (spread >> 32);
    }
}

/// The cells of a row's pixels; `NONE` where there is no hue.
pub(super) const NONE: u32 = u32::MAX;

fn cell_of(u: f32, v: f32, log: f32) -> u32 {
    let step = |value: f32, most: f32| value.clamp(0.0, most) as u32;
    let u = step(u * UV_STEPS, UV_STEPS - 1.0);
    let v = step(v * UV_STEPS, UV_STEPS - 1.0);
    let log = step((log - LOG_LOWEST) * LOG_STEPS, 1022.0);
    (log << 22) | (u << 11) | v
}

fn middle_of(cell: u32) -> [f64; 3] {
    let middle = |step: u32, steps: f32| (f64::from(step) + 0.5) / f64::from(steps);
    [
        middle((cell >> 11) & 0x7ff, UV_STEPS),
        middle(cell & 0x7ff, UV_STEPS),
        middle(cell >> 22, LOG_STEPS) + f64::from(LOG_LOWEST),
    ]
}

/// The cells of `colors`, appended to `cells`.
pub(super) fn push_cells(colors: &ColorRow, cells: &mut Vec<u32>) {
    let hues = colors.u.iter().zip(&colors.v).zip(&colors.log);
    cells.extend(hues.zip(&colors.bright).map(
        |(((u, v), log), bright)| {
            if *bright { cell_of(*u, *v, *log) } else { NONE }
        },
    ));
}

impl<'a> Cells<'a> {
    pub fn new(judge: &'a dyn Judge) -> Self {
        Cells {
            judge,
            current: Mutex::default(),
        }
    }

    /// Hands the answer and the class probabilities of each cell to `each`, in order, with the
    /// cell's place in `cells`; `NONE` is passed over.
    pub fn answer(&self, cells: &[u32], mut each: impl FnMut(usize, CellAnswer, &[f32])) {
        let classes = self.judge.classes().len();
        let shared = {
            let mut current = lock(&self.current);
            if read(&current).answers.len() >= MOST_CELLS {
                *current = Arc::default();
            }
            Arc::clone(&current)
        };
        let mut unknown: Vec<u32> = {
            let known = read(&shared);
            let is_unknown = |cell: &u32| *cell != NONE && !known.places.contains_key(cell);
            let mut last = NONE;
            let mut new = |cell: &u32| {
                let changed = *cell != last;
                last = *cell;
                changed
            };
            cells
                .iter()
                .filter(|c| new(c) && is_unknown(c))
                .copied()
                .collect()
        };
        unknown.sort_unstable();
        unknown.dedup();
        if !unknown.is_empty() {
            let colors: Vec<[f64; 3]> = unknown.iter().map(|c| middle_of(*c)).collect();
            let probabilities = self.judge.probabilities(&colors);
            let novel = self.judge.novel(&colors);
            let mut known = shared.write().unwrap_or_else(|e| e.into_inner());
            for ((cell, row), novel) in unknown.iter().zip(probabilities.rows()).zip(novel) {
                let place = known.answers.len() as u32;
                if known.places.contains_key(cell) {
                    continue;
                }
                known.places.insert(*cell, place);
                known.answers.push(CellAnswer {
                    positive: sum_of_positive(row.iter().copied(), self.judge.positive()),
                    class: largest(row.iter().copied()),
                    novel,
                });
                known.classes.extend(row.iter().map(|p| *p as f32));
            }
        }
        let known = read(&shared);
        let (mut last, mut place) = (NONE, 0);
        for (i, &cell) in cells.iter().enumerate() {
            if cell == NONE {
                continue;
            }
            if cell != last {
                last = cell;
                place = known.places[&cell] as usize;
            }
            let of_classes = &known.classes[place * classes..(place + 1) * classes];
            each(i, known.answers[place], of_classes);
        }
    }
}

fn lock<T>(mutex: &Mutex<T>) -> std::sync::MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(|e| e.into_inner())
}

fn read<T>(shared: &RwLock<T>) -> std::sync::RwLockReadGuard<'_, T> {
    shared.read().unwrap_or_else(|e| e.into_inner())
}

fn sum_of_positive(row: impl Iterator<Item = f64>, positive: &[bool]) -> f32 {
    let sum: f64 = row
        .zip(positive)
        .filter(|(_, is)| **is)
        .map(|(p, _)| p)
        .sum();
    sum.clamp(0.0, 1.0) as f32
}

/// The place of the first largest.
fn largest(row: impl Iterator<Item = f64>) -> u8 {
    let mut best = (0, f64::NEG_INFINITY);
    for (i, p) in row.enumerate() {
        if p > best.1 {
            best = (i, p);
        }
    }
    best.0 as u8
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_middle_of_a_cell_lies_in_it_and_near_the_color() {
        for i in 0..5000_u32 {
            let (u, v) = (0.6 * (i % 71) as f32 / 71.0, 0.6 * (i % 83) as f32 / 83.0);
            let log = -5.0 + 6.0 * (i % 101) as f32 / 101.0;
            let cell = cell_of(u, v, log);
            let [mu, mv, ml] = middle_of(cell);
            assert_eq!(cell_of(mu as f32, mv as f32, ml as f32), cell);
            assert!((mu - f64::from(u)).abs() < 0.5001 / 2048.0);
            assert!((mv - f64::from(v)).abs() < 0.5001 / 2048.0);
            assert!((ml - f64::from(log)).abs() < 0.5001 / 64.0);
        }
    }
}
