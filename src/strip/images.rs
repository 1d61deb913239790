//! The probability and the class picture, written row block by row block.

use super::LegendEntry;
use crate::{Error, Result};
use png::{BitDepth, ColorType, Compression, Encoder, Filter, StreamWriter};
use std::fs::File;
use std::io::Write;
use std::path::Path;

/// A gray or palette PNG that is being written.
pub(super) struct PictureWriter {
    stream: StreamWriter<'static, File>,
}

impl PictureWriter {
    /// One byte a pixel, 0 to 255 for probabilities of 0 to 1.
    pub fn gray(to: File, width: u32, rows: u32) -> std::io::Result<Self> {
        let mut encoder = Encoder::new(to, width, rows);
        encoder.set_color(ColorType::Grayscale);
        Self::start(encoder)
    }

    /// One palette index a pixel.
    pub fn indexed(
        to: File,
        width: u32,
        rows: u32,
        legend: &[LegendEntry],
    ) -> std::io::Result<Self> {
        let mut encoder = Encoder::new(to, width, rows);
        encoder.set_color(ColorType::Indexed);
        let palette: Vec<u8> = legend.iter().flat_map(|entry| entry.color).collect();
        encoder.set_palette(palette);
        Self::start(encoder)
    }

    fn start(mut encoder: Encoder<'static, File>) -> std::io::Result<Self> {
        encoder.set_depth(BitDepth::Eight);
        // Most pixels equal the one above; runs of equal differences are what this one packs.
        encoder.set_compression(Compression::Fast);
        encoder.set_filter(Filter::Up);
        let stream = encoder
            .write_header()?
            .into_stream_writer_with_size(1 << 18)?;
        Ok(PictureWriter { stream })
    }

    pub fn write(&mut self, rows: &[u8]) -> std::io::Result<()> {
        self.stream.write_all(rows)
    }

    pub fn finish(self) -> std::io::Result<()> {
        self.stream.finish().map_err(std::io::Error::other)
    }
}

/// A strip that is being written, row by row, as PNG.
pub struct StripWriter {
    stream: StreamWriter<'static, File>,
    sixteen: bool,
}

impl StripWriter {
    /// Begins a strip of `rows` rows; 8 bits a channel if `depth` fits, else 16.
    ///
    /// # Errors
    /// What the system refuses.
    pub fn new(
        to: File,
        width: u32,
        rows: u32,
        depth: crate::signal::BitDepth,
    ) -> std::io::Result<Self> {
        let sixteen = depth.bits() > 8;
        let mut encoder = Encoder::new(to, width, rows);
        encoder.set_color(ColorType::Rgb);
        encoder.set_depth(match sixteen {
            true => BitDepth::Sixteen,
            false => BitDepth::Eight,
        });
        let stream = encoder
            .write_header()?
            .into_stream_writer_with_size(1 << 18)?;
        Ok(StripWriter { stream, sixteen })
    }

    /// Writes one row of code values, width x 3.
    ///
    /// # Errors
    /// What the system refuses.
    pub fn row(&mut self, codes: &[u16]) -> std::io::Result<()> {
        let bytes: Vec<u8> = match self.sixteen {
            true => codes.iter().flat_map(|c| c.to_be_bytes()).collect(),
            false => codes.iter().map(|c| (*c).min(255) as u8).collect(),
        };
        self.stream.write_all(&bytes)
    }

    /// Ends the strip.
    ///
    /// # Errors
    /// Fewer rows than were announced.
    pub fn finish(self) -> std::io::Result<()> {
        self.stream.finish().map_err(std::io::Error::other)
    }
}

/// A small picture as the bytes of a PNG: gray, or red, green and blue.
pub(super) fn small_png(width: u32, height: u32, codes: &[u8], color: bool) -> Result<Vec<u8>> {
    let mut bytes = Vec::new();
    let outcome = (|| {
        let mut encoder = Encoder::new(&mut bytes, width, height);
        encoder.set_color(if color {
            ColorType::Rgb
        } else {
            ColorType::Grayscale
        });
        encoder.set_depth(BitDepth::Eight);
        let mut writer = encoder.write_header()?;
        writer.write_image_data(codes)?;
        writer.finish()
    })();
    match outcome {
        Ok(()) => Ok(bytes),
        Err(e) => Err(Error::input(format!("the overview cannot be drawn: {e}"))),
    }
}

/// Where the pictures go.
#[derive(Debug, Clone, Copy)]
pub struct Pictures<'a> {
    /// `probability.png`.
    pub probability: &'a Path,
    /// `classes.png`.
    pub classes: &'a Path,
}
