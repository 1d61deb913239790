//! TIFF in strips or tiles, chunk by chunk; uncompressed strips row by row.

use super::{COPY_AGAIN, Samples, cut_short, damaged, gray, without_alpha};
use crate::{Error, Result};
use std::fs::File;
use std::io::{BufReader, ErrorKind, Read, Seek, SeekFrom};
use std::path::Path;
use tiff::decoder::{ChunkType, Decoder, DecodingResult};
use tiff::tags::{ByteOrder, Tag};
use tiff::{ColorType, TiffError};

pub(super) struct TiffRows {
    pub(super) width: u32,
    pub(super) rows: u32,
    pub(super) bit_depth: u8,
    alpha: bool,
    layout: Layout,
}

enum Layout {
    /// Uncompressed rows at known places: any rows can be read, however long the strips are.
    Plain {
        file: File,
        offsets: Vec<u64>,
        rows_per_strip: u32,
        order: ByteOrder,
    },
    /// Whole chunks (strips or tiles) at a time.
    Chunks {
        decoder: Box<Decoder<BufReader<File>>>,
        chunk_rows: u32,
        across: u32,
    },
}

impl TiffRows {
    pub(super) fn open(path: &Path) -> Result<Self> {
        let file = File::open(path).map_err(|e| Error::io(path, e))?;
        Self::of(file).map_err(|e| e.at(path))
    }

    fn of(file: File) -> Result<Self> {
        let plain_file = file.try_clone();
        let head = |e: TiffError| match e {
            TiffError::IoError(e) if e.kind() == ErrorKind::UnexpectedEof => {
                Error::input("the picture is cut short within its head").remedy(COPY_AGAIN)
            }
            e => Error::input(format!("the picture cannot be read: {e}"))
                .remedy("save it as TIFF in red, green and blue of 8 or 16 bits a channel"),
        };
        let mut decoder = Decoder::new(BufReader::with_capacity(1 << 16, file)).map_err(head)?;
        let (width, rows) = decoder.dimensions().map_err(head)?;
        let (bit_depth, alpha) = match decoder.colortype().map_err(head)? {
            ColorType::RGB(bits @ (8 | 16)) => (bits, false),
            ColorType::RGBA(bits @ (8 | 16)) => (bits, true),
            ColorType::Gray(_) | ColorType::GrayA(_) => return Err(gray()),
            other => {
                return Err(Error::input(format!(
                    "the pixels are {other:?}, expected red, green and blue of 8 or 16 bits"
                ))
                .remedy("save it as TIFF in red, green and blue of 8 or 16 bits a channel"));
            }
        };
        if width == 0 || rows == 0 {
            return Err(
                Error::input(format!("the picture is {width} x {rows} pixels")).remedy(COPY_AGAIN),
            );
        }
        let mut tag = |tag| decoder.find_tag_unsigned_vec::<u64>(tag).map_err(head);
        let compression = tag(Tag::Compression)?;
        let predictor = tag(Tag::Predictor)?;
        let planes = tag(Tag::PlanarConfiguration)?;
        let format = tag(Tag::SampleFormat)?;
        let offsets = tag(Tag::StripOffsets)?;
        let rows_per_strip = tag(Tag::RowsPerStrip)?.and_then(|r| r.first().copied());
        let is_one = |values: &Option<Vec<u64>>| match values {
            Some(values) => values.iter().all(|v| *v == 1),
            None => true,
        };
        if !is_one(&planes) {
            return Err(Error::input(
                "red, green and blue lie in separate planes, expected pixel by pixel",
            )
            .remedy("save the TIFF with a contiguous (chunky) planar configuration"));
        }
        if !is_one(&format) {
            return Err(Error::input("the pixels are not unsigned whole numbers")
                .remedy("save the TIFF as unsigned 8 or 16 bits a channel"));
        }
        let plain = is_one(&compression) && is_one(&predictor);
        let layout = match (plain, offsets, plain_file) {
            (true, Some(offsets), Ok(file)) => {
                let rows_per_strip = rows_per_strip.unwrap_or(u64::from(rows));
                let rows_per_strip = rows_per_strip.clamp(1, u64::from(rows)) as u32;
                let expected = rows.div_ceil(rows_per_strip) as usize;
                if offsets.len() < expected {
                    return Err(Error::input(format!(
                        "found {} strip offsets, expected {expected}",
                        offsets.len()
                    ))
                    .remedy(COPY_AGAIN));
                }
                Layout::Plain {
                    file,
                    offsets,
                    rows_per_strip,
                    order: decoder.byte_order(),
                }
            }
            _ => {
                let (chunk_width, chunk_rows) = decoder.chunk_dimensions();
                if chunk_width == 0 || chunk_rows == 0 {
                    return Err(Error::input("the picture's tiles are empty").remedy(COPY_AGAIN));
                }
                let across = match decoder.get_chunk_type() {
                    ChunkType::Strip => 1,
                    ChunkType::Tile => width.div_ceil(chunk_width),
                };
                Layout::Chunks {
                    decoder: Box::new(decoder),
                    chunk_rows: chunk_rows.min(rows),
                    across,
                }
            }
        };
        Ok(TiffRows {
            width,
            rows,
            bit_depth,
            alpha,
            layout,
        })
    }

    /// Rows that can only be read together.
    pub(super) fn chunk_rows(&self) -> u32 {
        match &self.layout {
            Layout::Plain { .. } => 1,
            Layout::Chunks { chunk_rows, .. } => *chunk_rows,
        }
    }

    /// Reads rows; `first` must be a multiple of [`Self::chunk_rows`].
    pub(super) fn read(&mut self, first: u32, rows: u32, samples: usize) -> Result<Samples> {
        match (&self.layout, self.bit_depth) {
            (Layout::Plain { .. }, 8) => {
                let bytes = self.read_plain(first, rows, 1)?;
                Ok(Samples::Eight(self.colors_of(bytes, samples)))
            }
            (Layout::Plain { order, .. }, _) => {
                let order = *order;
                let bytes = self.read_plain(first, rows, 2)?;
                let pairs = bytes.chunks_exact(2).map(|b| [b[0], b[1]]);
                let codes = match order {
                    ByteOrder::LittleEndian => pairs.map(u16::from_le_bytes).collect(),
                    ByteOrder::BigEndian => pairs.map(u16::from_be_bytes).collect(),
                };
                Ok(Samples::Sixteen(self.colors_of(codes, samples)))
            }
            (Layout::Chunks { .. }, 8) => {
                let mut codes = vec![0_u8; samples];
                self.read_chunks(first, rows, &mut codes, |result| match result {
                    DecodingResult::U8(codes) => Some(codes),
                    _ => None,
                })?;
                Ok(Samples::Eight(codes))
            }
            (Layout::Chunks { .. }, _) => {
                let mut codes = vec![0_u16; samples];
                self.read_chunks(first, rows, &mut codes, |result| match result {
                    DecodingResult::U16(codes) => Some(codes),
                    _ => None,
                })?;
                Ok(Samples::Sixteen(codes))
            }
        }
    }

    fn colors_of<T: Copy + Default>(&self, codes: Vec<T>, samples: usize) -> Vec<T> {
        if !self.alpha {
            return codes;
        }
        let mut colors = vec![T::default(); samples];
        without_alpha(&codes, &mut colors);
        colors
    }

    fn read_plain(&mut self, first: u32, rows: u32, bytes_a_sample: usize) -> Result<Vec<u8>> {
        let all = self.rows;
        let channels = if self.alpha { 4 } else { 3 };
        let row_bytes = self.width as usize * channels * bytes_a_sample;
        let Layout::Plain {
            file,
            offsets,
            rows_per_strip,
            ..
        } = &mut self.layout
        else {
            return Ok(Vec::new());
        };
        let mut bytes = vec![0; row_bytes * rows as usize];
        let mut row = first;
        let mut rest = &mut bytes[..];
        while !rest.is_empty() {
            let (strip, inside) = (row / *rows_per_strip, row % *rows_per_strip);
            let together = (*rows_per_strip - inside).min(first + rows - row);
            let (now, later) = rest.split_at_mut(row_bytes * together as usize);
            let at = offsets[strip as usize].saturating_add(u64::from(inside) * row_bytes as u64);
            file.seek(SeekFrom::Start(at))
                .and_then(|_| file.read_exact(now))
                .map_err(|e| match e.kind() {
                    ErrorKind::UnexpectedEof => cut_short(row, all),
                    _ => damaged(row, e),
                })?;
            rest = later;
            row += together;
        }
        Ok(bytes)
    }

    fn read_chunks<T: Copy>(
        &mut self,
        first: u32,
        rows: u32,
        to: &mut [T],
        unwrap: impl Fn(DecodingResult) -> Option<Vec<T>>,
    ) -> Result<()> {
        let (all, a_row) = (self.rows, 3 * self.width as usize);
        let channels = if self.alpha { 4 } else { 3 };
        let Layout::Chunks {
            decoder,
            chunk_rows,
            across,
        } = &mut self.layout
        else {
            return Ok(());
        };
        for down in first / *chunk_rows..(first + rows).div_ceil(*chunk_rows) {
            let top = (down * *chunk_rows - first) as usize;
            let mut left = 0;
            for chunk in down * *across..(down + 1) * *across {
                let (chunk_width, _) = decoder.chunk_data_dimensions(chunk);
                let decoded = decoder.read_chunk(chunk).map_err(|e| match e {
                    TiffError::IoError(e) if e.kind() == ErrorKind::UnexpectedEof => {
                        cut_short(first + top as u32, all)
                    }
                    TiffError::LimitsExceeded => Error::input(format!(
                        "{chunk_rows} rows must be read at once, which takes too much memory"
                    ))
                    .remedy("save the TIFF with fewer rows a strip (64, say)"),
                    e => damaged(first + top as u32, e),
                })?;
                let codes = unwrap(decoded).ok_or_else(|| {
                    damaged(first + top as u32, "the pixels are not whole numbers")
                })?;
                let (across, wide) = (chunk_width as usize * channels, chunk_width as usize * 3);
                for (i, from) in codes.chunks_exact(across).enumerate() {
                    let start = (top + i) * a_row + left;
                    let Some(to) = to.get_mut(start..start + wide) else {
                        break;
                    };
                    if channels == 3 {
                        to.copy_from_slice(from);
                    } else {
                        without_alpha(from, to);
                    }
                }
                left += wide;
            }
        }
        Ok(())
    }
}
