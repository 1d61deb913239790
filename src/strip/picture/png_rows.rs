//! PNG, row after row.

use super::{COPY_AGAIN, Samples, cut_short, damaged, gray, without_alpha};
use crate::{Error, Result};
use png::{BitDepth, ColorType, Decoder, DecodingError, Reader, Transformations};
use std::fs::File;
use std::io::{BufReader, ErrorKind};
use std::path::Path;

pub(super) struct PngRows {
    pub(super) width: u32,
    pub(super) rows: u32,
    pub(super) bit_depth: u8,
    reader: Reader<BufReader<File>>,
    alpha: bool,
    row: Vec<u8>,
}

impl PngRows {
    pub(super) fn open(path: &Path) -> Result<Self> {
        let file = File::open(path).map_err(|e| Error::io(path, e))?;
        let mut decoder = Decoder::new(BufReader::with_capacity(1 << 18, file));
        // A palette becomes red, green and blue.
        decoder.set_transformations(Transformations::EXPAND);
        decoder.set_ignore_text_chunk(true);
        decoder.set_ignore_iccp_chunk(true);
        let reader = decoder.read_info().map_err(|e| match e {
            DecodingError::IoError(e) if e.kind() != ErrorKind::UnexpectedEof => Error::io(path, e),
            DecodingError::IoError(_) => Error::input("the picture is cut short within its head")
                .at(path)
                .remedy(COPY_AGAIN),
            e => Error::input(format!("the head of the picture is damaged: {e}"))
                .at(path)
                .remedy(COPY_AGAIN),
        })?;
        if reader.info().interlaced {
            return Err(
                Error::input("the picture is interlaced, expected rows in order")
                    .at(path)
                    .remedy("save it again without interlacing"),
            );
        }
        if reader.info().animation_control.is_some() {
            return Err(
                Error::input("the picture is animated, expected one picture")
                    .at(path)
                    .remedy("save the strip as a plain PNG"),
            );
        }
        let (color, depth) = reader.output_color_type();
        let alpha = match color {
            ColorType::Rgb => false,
            ColorType::Rgba => true,
            _ => return Err(gray().at(path)),
        };
        let (width, rows) = reader.info().size();
        let row = vec![0; reader.output_line_size(width).unwrap_or(0)];
        Ok(PngRows {
            width,
            rows,
            bit_depth: if depth == BitDepth::Sixteen { 16 } else { 8 },
            reader,
            alpha,
            row,
        })
    }

    pub(super) fn read(&mut self, first: u32, rows: u32, samples: usize) -> Result<Samples> {
        let a_row = samples / rows as usize;
        if self.bit_depth == 8 {
            let mut codes = vec![0_u8; samples];
            for (i, to) in codes.chunks_exact_mut(a_row).enumerate() {
                if self.alpha {
                    self.read_row(first + i as u32)?;
                    without_alpha(&self.row, to);
                } else {
                    let outcome = self.reader.read_row(to).map(|row| row.is_some());
                    self.check(outcome, first + i as u32)?;
                }
            }
            return Ok(Samples::Eight(codes));
        }
        let mut codes = vec![0_u16; samples];
        let channels = if self.alpha { 4 } else { 3 };
        for (i, to) in codes.chunks_exact_mut(a_row).enumerate() {
            self.read_row(first + i as u32)?;
            // PNG stores the high byte first.
            for (pixel, three) in self
                .row
                .chunks_exact(2 * channels)
                .zip(to.chunks_exact_mut(3))
            {
                for (c, code) in three.iter_mut().enumerate() {
                    *code = u16::from_be_bytes([pixel[2 * c], pixel[2 * c + 1]]);
                }
            }
        }
        Ok(Samples::Sixteen(codes))
    }

    fn read_row(&mut self, row: u32) -> Result<()> {
        let outcome = self.reader.read_row(&mut self.row).map(|row| row.is_some());
        self.check(outcome, row)
    }

    fn check(&self, outcome: std::result::Result<bool, DecodingError>, row: u32) -> Result<()> {
        match outcome {
            Ok(true) => Ok(()),
            Ok(false) => Err(cut_short(row, self.rows)),
            Err(DecodingError::IoError(e)) if e.kind() == ErrorKind::UnexpectedEof => {
                Err(cut_short(row, self.rows))
            }
            Err(e) => Err(damaged(row, e)),
        }
    }
}
