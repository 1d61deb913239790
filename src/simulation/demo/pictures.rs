//! Pictures in memory.

use crate::{Error, Result};
use std::io::Cursor;

/// An 8-bit sRGB PNG of interleaved codes.
pub(super) fn png8(width: usize, height: usize, codes: &[u8]) -> Result<Vec<u8>> {
    let mut bytes = Vec::new();
    let mut encoder = png::Encoder::new(&mut bytes, width as u32, height as u32);
    encoder.set_color(png::ColorType::Rgb);
    encoder.set_depth(png::BitDepth::Eight);
    encoder.set_compression(png::Compression::High);
    encoder.set_source_srgb(png::SrgbRenderingIntent::RelativeColorimetric);
    encoder
        .write_header()
        .and_then(|mut writer| {
            writer.write_image_data(codes)?;
            writer.finish()
        })
        .map_err(refused)?;
    Ok(bytes)
}

/// An uncompressed 16-bit TIFF of interleaved codes.
pub(super) fn tiff16(width: usize, height: usize, codes: &[u16]) -> Result<Vec<u8>> {
    let mut bytes = Cursor::new(Vec::new());
    tiff::encoder::TiffEncoder::new(&mut bytes)
        .and_then(|mut encoder| {
            encoder.write_image::<tiff::encoder::colortype::RGB16>(
                width as u32,
                height as u32,
                codes,
            )
        })
        .map_err(refused)?;
    Ok(bytes.into_inner())
}

fn refused(error: impl std::fmt::Display) -> Error {
    Error::input(format!(
        "a picture of the demo season cannot be made: {error}"
    ))
}
