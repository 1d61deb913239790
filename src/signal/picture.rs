//! Pictures of 8 or 16 bits per channel, and boxes in them.

use super::{BitDepth, Column};
use crate::files::Provenance;
use crate::{Error, Result, files};
use image::DynamicImage;
use std::path::{Path, PathBuf};
use std::rc::Rc;

/// A color picture as stored, code values untouched.
#[derive(Debug, Clone, PartialEq)]
pub struct Picture {
    width: usize,
    height: usize,
    depth: BitDepth,
    codes: Codes,
}

#[derive(Debug, Clone, PartialEq)]
enum Codes {
    Eight(Vec<u8>),
    Sixteen(Vec<u16>),
}

impl Picture {
    /// Reads a PNG, TIFF or JPEG file of 8 or 16 bits per channel.
    ///
    /// # Errors
    /// No such file, a file cut short or of another kind, a gray picture.
    pub fn read(path: &Path) -> Result<Self> {
        Self::decode(&files::read(path)?).map_err(|e| e.at(path))
    }

    /// As [`Picture::read`], from the bytes of a file.
    pub fn decode(bytes: &[u8]) -> Result<Self> {
        let mut reader = image::ImageReader::new(std::io::Cursor::new(bytes))
            .with_guessed_format()
            .map_err(|e| Error::input(format!("the picture cannot be read: {e}")))?;
        // A strip may be longer than the decoder's cautious default allows.
        reader.no_limits();
        let decoded = reader.decode().map_err(|e| {
            Error::input(format!("the picture cannot be read, or is cut short: {e}"))
                .remedy("copy the file again; expected a whole PNG, TIFF or JPEG of 8 or 16 bits")
        })?;
        let (width, height) = (decoded.width() as usize, decoded.height() as usize);
        let (depth, codes) = match decoded {
            DynamicImage::ImageRgb8(p) => (BitDepth::EIGHT, Codes::Eight(p.into_raw())),
            DynamicImage::ImageRgba8(_) => (
                BitDepth::EIGHT,
                Codes::Eight(decoded.into_rgb8().into_raw()),
            ),
            DynamicImage::ImageRgb16(p) => (BitDepth::SIXTEEN, Codes::Sixteen(p.into_raw())),
            DynamicImage::ImageRgba16(_) => (
                BitDepth::SIXTEEN,
                Codes::Sixteen(decoded.into_rgb16().into_raw()),
            ),
            DynamicImage::ImageLuma8(_)
            | DynamicImage::ImageLumaA8(_)
            | DynamicImage::ImageLuma16(_)
            | DynamicImage::ImageLumaA16(_) => {
                return Err(
                    Error::input("the picture is gray, expected red, green and blue")
                        .remedy("give the picture as the camera stored it, in color"),
                );
            }
            other => {
                return Err(Error::input(format!(
                    "the picture's pixels are {:?}, expected 8 or 16 bits per channel",
                    other.color()
                ))
                .remedy("save it as PNG or TIFF of 8 or 16 bits per channel"));
            }
        };
        Ok(Picture {
            width,
            height,
            depth,
            codes,
        })
    }

    /// A picture from 8-bit code values, row by row, red, green, blue.
    pub fn from_rgb8(width: usize, height: usize, codes: Vec<u8>) -> Result<Self> {
        Self::from_codes(
            width,
            height,
            codes.len(),
            BitDepth::EIGHT,
            Codes::Eight(codes),
        )
    }

    /// A picture from 16-bit code values, row by row, red, green, blue.
    pub fn from_rgb16(width: usize, height: usize, codes: Vec<u16>) -> Result<Self> {
        let length = codes.len();
        Self::from_codes(
            width,
            height,
            length,
            BitDepth::SIXTEEN,
            Codes::Sixteen(codes),
        )
    }

    fn from_codes(
        width: usize,
        height: usize,
        length: usize,
        depth: BitDepth,
        codes: Codes,
    ) -> Result<Self> {
        if length != 3 * width * height {
            return Err(Error::input(format!(
                "found {length} code values, expected 3 x {width} x {height}"
            )));
        }
        Ok(Picture {
            width,
            height,
            depth,
            codes,
        })
    }

    /// Width in pixels.
    pub fn width(&self) -> usize {
        self.width
    }

    /// Height in pixels.
    pub fn height(&self) -> usize {
        self.height
    }

    /// Bits per channel as stored.
    pub fn depth(&self) -> BitDepth {
        self.depth
    }

    /// Code values of the pixel at column `x` and row `y`, which must lie inside.
    pub fn pixel(&self, x: usize, y: usize) -> [u16; 3] {
        let at = 3 * (y * self.width + x);
        match &self.codes {
            Codes::Eight(c) => [c[at], c[at + 1], c[at + 2]].map(u16::from),
            Codes::Sixteen(c) => [c[at], c[at + 1], c[at + 2]],
        }
    }

    /// The pixels of a box, row by row; it must lie inside.
    pub fn pixels_of(&self, region: Region) -> impl Iterator<Item = [u16; 3]> {
        (region.y..region.y + region.height)
            .flat_map(move |y| (region.x..region.x + region.width).map(move |x| self.pixel(x, y)))
    }

    /// Fails unless the picture is stored as code values of this depth are: 8-bit codes in 8 bits,
    /// more in 16.
    pub fn check_depth(&self, depth: BitDepth) -> Result<()> {
        let expected = if depth.bits() == 8 { 8 } else { 16 };
        if self.depth.bits() == expected {
            return Ok(());
        }
        Err(Error::input(format!(
            "the picture has {} bits per channel, the rig's code values have {}",
            self.depth.bits(),
            depth.bits()
        ))
        .remedy("set rig.bit_depth to the depth of the pictures, or give the original pictures"))
    }

    fn bytes(&self) -> usize {
        match &self.codes {
            Codes::Eight(c) => c.len(),
            Codes::Sixteen(c) => 2 * c.len(),
        }
    }
}

/// A box of pixels: columns `x` to `x + width - 1`, rows `y` to `y + height - 1`, from the top left.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Region {
    /// Leftmost column, from 0.
    pub x: usize,
    /// Topmost row, from 0.
    pub y: usize,
    /// Columns.
    pub width: usize,
    /// Rows.
    pub height: usize,
}

impl Region {
    /// The number of pixels.
    pub fn pixels(&self) -> u64 {
        self.width as u64 * self.height as u64
    }

    /// Fails unless the box holds a pixel and lies inside the picture.
    pub fn check_inside(&self, picture: &Picture) -> Result<()> {
        let inside = |from: usize, length: usize, limit: usize| {
            length > 0 && from.checked_add(length).is_some_and(|end| end <= limit)
        };
        if inside(self.x, self.width, picture.width())
            && inside(self.y, self.height, picture.height())
        {
            return Ok(());
        }
        Err(Error::input(format!(
            "the box x {}, y {}, {} x {} does not lie inside the picture of {} x {} pixels",
            self.x,
            self.y,
            self.width,
            self.height,
            picture.width(),
            picture.height()
        ))
        .remedy("correct x, y, width, height; x and y count from 0 at the top left"))
    }
}

impl Region {
    /// Where the middle of the box lies across the picture.
    pub fn column(&self, picture: &Picture) -> Column {
        Column {
            center: self.x as f64 + 0.5 * self.width as f64,
            width: picture.width(),
        }
    }
}

/// Pictures already decoded, within a memory budget, and the hashes of all that were read.
#[derive(Debug, Default)]
pub struct PictureCache {
    recent: Vec<(PathBuf, Rc<Picture>)>,
    read: Provenance,
}

impl PictureCache {
    /// Decoded pictures are kept up to this many bytes; the least recently used go first.
    pub const BUDGET: usize = 256 << 20;

    /// An empty cache.
    pub fn new() -> Self {
        Self::default()
    }

    /// The picture that a table names, from the season folder.
    pub fn get(&mut self, named: &str, folder: &Path) -> Result<Rc<Picture>> {
        let path = folder.join(named);
        if let Some(at) = self.recent.iter().position(|(known, _)| *known == path) {
            let found = self.recent.remove(at);
            let picture = found.1.clone();
            self.recent.push(found);
            return Ok(picture);
        }
        let bytes = files::read(&path)?;
        self.read.add(named.replace('\\', "/"), &bytes);
        let picture = Rc::new(Picture::decode(&bytes).map_err(|e| e.at(&path))?);
        self.recent.push((path, picture.clone()));
        while self.recent.len() > 1
            && self.recent.iter().map(|(_, p)| p.bytes()).sum::<usize>() > Self::BUDGET
        {
            self.recent.remove(0);
        }
        Ok(picture)
    }

    /// SHA-256 of every picture that was read, by the name that its table uses.
    pub fn provenance(&self) -> &Provenance {
        &self.read
    }
}
