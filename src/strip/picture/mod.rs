//! Reading the picture of a strip in blocks of rows, so that a long strip needs little memory.
//!
//! In: a PNG or TIFF file of 8 or 16 bits a channel. Out: [`Block`]s of code values. PNG can only
//! be read in order; a TIFF's blocks can be read in any order and by several readers at once.

mod png_rows;
mod tiff_rows;

use crate::{Error, Result};
use png_rows::PngRows;
use std::io::Read;
use std::path::{Path, PathBuf};
use tiff_rows::TiffRows;

/// Rows a block, about; a TIFF's own chunks decide.
const BLOCK_ROWS: u32 = 32;

/// Largest block of rows in bytes; a picture whose own chunks are larger must be saved again.
const MAX_BLOCK_BYTES: u64 = 256 << 20;

/// Code values of consecutive rows: red, green, blue of each pixel in turn.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Samples {
    /// 8 bits a channel.
    Eight(Vec<u8>),
    /// 16 bits a channel.
    Sixteen(Vec<u16>),
}

/// Consecutive rows of a strip.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Block {
    /// Number of the block, from 0.
    pub index: u32,
    /// The first row.
    pub first_row: u32,
    /// How many rows.
    pub rows: u32,
    /// Their code values, rows x width x 3.
    pub samples: Samples,
}

/// An open strip picture.
pub struct StripPicture {
    path: PathBuf,
    width: u32,
    rows: u32,
    bit_depth: u8,
    block_rows: u32,
    next: u32,
    source: Source,
}

enum Source {
    Png(Box<PngRows>),
    Tiff(Box<TiffRows>),
}

/// What the next block takes: read already, or to be read by whoever wants it.
pub(super) enum Next {
    Read(Block),
    Promised {
        index: u32,
        first_row: u32,
        rows: u32,
    },
}

impl StripPicture {
    /// Opens a PNG or TIFF picture of 8 or 16 bits a channel in red, green and blue.
    ///
    /// An alpha channel is left aside and a palette is looked up.
    ///
    /// # Errors
    /// No such file, another format (what the file says counts, not its name), gray pixels,
    /// interlaced rows, a file cut short within its head.
    pub fn open(path: &Path) -> Result<Self> {
        let mut head = [0_u8; 8];
        let refused = |e| Error::io(path, e);
        let mut file = std::fs::File::open(path).map_err(refused)?;
        let mut length = 0;
        while length < head.len() {
            match file.read(&mut head[length..]).map_err(refused)? {
                0 => break,
                n => length += n,
            }
        }
        let source = match &head[..length] {
            b"\x89PNG\r\n\x1a\n" => Source::Png(Box::new(PngRows::open(path)?)),
            [b'I', b'I', 42 | 43, 0, ..] | [b'M', b'M', 0, 42 | 43, ..] => {
                Source::Tiff(Box::new(TiffRows::open(path)?))
            }
            [] => {
                return Err(Error::input("the file is empty")
                    .at(path)
                    .remedy(COPY_AGAIN));
            }
            _ => {
                return Err(Error::input("this is neither a PNG nor a TIFF picture")
                    .at(path)
                    .remedy("save the strip as PNG or TIFF of 8 or 16 bits a channel"));
            }
        };
        let (width, rows, bit_depth, chunk_rows) = match &source {
            Source::Png(s) => (s.width, s.rows, s.bit_depth, 1),
            Source::Tiff(s) => (s.width, s.rows, s.bit_depth, s.chunk_rows()),
        };
        let block_rows = chunk_rows * (BLOCK_ROWS / chunk_rows).max(1);
        let picture = StripPicture {
            path: path.to_path_buf(),
            width,
            rows,
            bit_depth,
            block_rows,
            next: 0,
            source,
        };
        let block_bytes = picture.samples(block_rows.min(rows)) as u64 * u64::from(bit_depth / 8);
        if block_bytes > MAX_BLOCK_BYTES {
            return Err(Error::input(format!(
                "{} rows must be read at once, which takes {} MB; expected at most {} MB",
                block_rows.min(rows),
                block_bytes >> 20,
                MAX_BLOCK_BYTES >> 20
            ))
            .at(path)
            .remedy("save the TIFF with fewer rows a strip (64, say), or uncompressed"));
        }
        Ok(picture)
    }

    /// The file.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Pixels a row.
    pub fn width(&self) -> u32 {
        self.width
    }

    /// Rows (laser lines).
    pub fn rows(&self) -> u32 {
        self.rows
    }

    /// Bits a channel: 8 or 16.
    pub fn bit_depth(&self) -> u8 {
        self.bit_depth
    }

    /// Reads the next block of rows; absent after the last.
    ///
    /// # Errors
    /// A file that is cut short or damaged, with the row.
    pub fn next_block(&mut self) -> Result<Option<Block>> {
        match self.next()? {
            None => Ok(None),
            Some(Next::Read(block)) => Ok(Some(block)),
            Some(Next::Promised {
                index,
                first_row,
                rows,
            }) => self.fulfil(index, first_row, rows).map(Some),
        }
    }

    /// Takes the next block: PNG reads it here and now, TIFF leaves that to [`Self::fulfil`] of
    /// another reader of the same file.
    pub(super) fn next(&mut self) -> Result<Option<Next>> {
        let first_row = self.next.saturating_mul(self.block_rows);
        if first_row >= self.rows {
            return Ok(None);
        }
        let index = self.next;
        let rows = self.block_rows.min(self.rows - first_row);
        self.next += 1;
        let samples = self.samples(rows);
        let Source::Png(source) = &mut self.source else {
            return Ok(Some(Next::Promised {
                index,
                first_row,
                rows,
            }));
        };
        let samples = source
            .read(first_row, rows, samples)
            .map_err(|e| e.at(&self.path))?;
        Ok(Some(Next::Read(Block {
            index,
            first_row,
            rows,
            samples,
        })))
    }

    /// How many blocks were taken.
    pub(super) fn blocks_taken(&self) -> u32 {
        self.next
    }

    /// Reads a promised block.
    pub(super) fn fulfil(&mut self, index: u32, first_row: u32, rows: u32) -> Result<Block> {
        let samples = self.samples(rows);
        let samples = match &mut self.source {
            Source::Png(source) => source.read(first_row, rows, samples),
            Source::Tiff(source) => source.read(first_row, rows, samples),
        };
        Ok(Block {
            index,
            first_row,
            rows,
            samples: samples.map_err(|e| e.at(&self.path))?,
        })
    }

    fn samples(&self, rows: u32) -> usize {
        3 * self.width as usize * rows as usize
    }
}

/// What to do about a file that ends too early.
const COPY_AGAIN: &str = "copy the file again from where it was recorded";

fn cut_short(row: u32, rows: u32) -> Error {
    Error::input(format!(
        "the picture is cut short: row {row} of {rows} is not there"
    ))
    .remedy(COPY_AGAIN)
}

fn damaged(row: u32, what: impl std::fmt::Display) -> Error {
    Error::input(format!("the picture is damaged near row {row}: {what}")).remedy(COPY_AGAIN)
}

fn gray() -> Error {
    Error::input("the picture is gray, expected red, green and blue")
        .remedy("give the strip as the camera stored it, in color")
}

/// The first three of every four samples.
fn without_alpha<T: Copy>(from: &[T], to: &mut [T]) {
    for (four, three) in from.chunks_exact(4).zip(to.chunks_exact_mut(3)) {
        three.copy_from_slice(&four[..3]);
    }
}
