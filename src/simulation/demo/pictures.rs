//! Pictures in memory.

use crate::{Error, Result};

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

fn refused(error: impl std::fmt::Display) -> Error {
    Error::input(format!(
        "a picture of the demo season cannot be made: {error}"
    ))
}
