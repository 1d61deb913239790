//! The strip at a glance: tiles of many pixels.

use super::{Block, Overview, Samples};
use crate::Result;

/// Most tiles across and along.
const MOST: [u32; 2] = [360, 1440];

impl Overview {
    pub(super) fn new(width: u32, rows: u32) -> Self {
        let scale = width.div_ceil(MOST[0]).max(rows.div_ceil(MOST[1])).max(1);
        let (across, along) = (width.div_ceil(scale), rows.div_ceil(scale));
        let tiles = across as usize * along as usize;
        Overview {
            scale,
            width: across,
            height: along,
            color: vec![[0; 3]; tiles],
            peak: vec![0; tiles],
        }
    }

    /// The rows' colors, of one row a tile, averaged over each tile's width.
    pub(super) fn colors_of(
        &self,
        block: &Block,
        width: usize,
        codes: usize,
    ) -> Vec<(u32, [u8; 3])> {
        let mut found = Vec::new();
        for row in 0..block.rows {
            let y = block.first_row + row;
            if !y.is_multiple_of(self.scale) {
                continue;
            }
            let start = 3 * width * row as usize;
            for x in 0..self.width {
                let left = x as usize * self.scale as usize;
                let right = (left + self.scale as usize).min(width);
                let place = start + 3 * left..start + 3 * right;
                let color = match &block.samples {
                    Samples::Eight(all) => mean(&all[place], codes),
                    Samples::Sixteen(all) => mean(&all[place], codes),
                };
                found.push((y / self.scale * self.width + x, color));
            }
        }
        found
    }

    /// Raises the tiles' peaks to a row's probabilities.
    pub(super) fn raise(&mut self, y: u32, probability: &[u8]) {
        let start = (y / self.scale * self.width) as usize;
        let tiles = probability.chunks(self.scale as usize);
        for (peak, tile) in self.peak[start..].iter_mut().zip(tiles) {
            *peak = tile.iter().fold(*peak, |most, p| most.max(*p));
        }
    }

    /// The recorded colors as a PNG.
    pub fn picture_png(&self) -> Result<Vec<u8>> {
        let codes: Vec<u8> = self.color.iter().flatten().copied().collect();
        super::images::small_png(self.width, self.height, &codes, true)
    }

    /// The largest probabilities as a gray PNG.
    pub fn probability_png(&self) -> Result<Vec<u8>> {
        super::images::small_png(self.width, self.height, &self.peak, false)
    }
}

fn mean<T: Copy + Into<u64>>(pixels: &[T], codes: usize) -> [u8; 3] {
    let count = (pixels.len() / 3).max(1) as u64;
    let mut sum = [0_u64; 3];
    for pixel in pixels.chunks_exact(3) {
        for (sum, code) in sum.iter_mut().zip(pixel) {
            *sum += (*code).into();
        }
    }
    sum.map(|s| (s * 255 / (count * (codes as u64 - 1))).min(255) as u8)
}
