//! A reading from a row of a table of captures or of a ledger.

use super::{BitDepth, Capture, CodeValues, Picture, PictureCache, Reading, Region, Response};
use crate::Result;
use crate::files::Row;
use crate::numeric::decimals;
use std::path::Path;
use std::rc::Rc;

/// The reading of a row: `image` with the box `x,y,width,height` in pixels, or the measured means
/// `r,g,b` (code values) with, where known, `r_sd,g_sd,b_sd` and `pixels`; in both cases with
/// `exposure_s`, `gain_db` and `height_m` where known.
///
/// Pictures are found from `folder`, the season folder. A row that has both is read from its
/// picture.
///
/// # Errors
/// Neither picture nor code values, a box outside its picture, code values out of range, a picture
/// that cannot be read: each with the table's file and line.
pub fn read_reading(
    row: &Row<'_>,
    folder: &Path,
    response: &Response,
    depth: BitDepth,
    pictures: &mut PictureCache,
) -> Result<Reading> {
    let capture = read_capture(row)?;
    if let Some((picture, region)) = read_region(row, folder, pictures)? {
        let capture = Capture {
            column: Some(region.column(&picture)),
            ..capture
        };
        return Reading::from_region(&picture, region, response, depth, capture)
            .map_err(|e| row.error("image", e.to_string()));
    }
    let mut codes = [0.0; 3];
    for (value, column) in codes.iter_mut().zip(["r", "g", "b"]) {
        *value = code_cell(row, column, depth)?.ok_or_else(|| {
            let error = row.error(column, "found neither a picture nor code values");
            match meant_for(row, column) {
                Some(other) => error.remedy(format!(
                    "there is a column \"{other}\": rename it \"{column}\" if that is what it holds"
                )),
                None => error.remedy("fill in image with x, y, width and height, or r, g and b"),
            }
        })?;
    }
    let mut sd = [0.0; 3];
    let mut known = 0;
    for (value, column) in sd.iter_mut().zip(["r_sd", "g_sd", "b_sd"]) {
        if let Some(found) = row.optional_number_in(column, 0.0..=depth.largest(), "code value")? {
            *value = found;
            known += 1;
        }
    }
    if known != 0 && known != 3 {
        return Err(row
            .error("r_sd", "found the standard deviation of some channels only")
            .remedy("fill in r_sd, g_sd and b_sd, or none of them"));
    }
    let pixels = match row.get("pixels") {
        Some(_) => match whole(row, "pixels")? {
            0 => {
                return Err(row
                    .error("pixels", "found 0, expected at least 1")
                    .remedy("correct the cell or leave it empty"));
            }
            count => Some(count as u64),
        },
        None => None,
    };
    let reading = Reading::from_code_values(
        CodeValues(codes),
        (known == 3).then_some(sd),
        pixels,
        response,
        depth,
        capture,
    )
    .map_err(|e| row.error("r", e.to_string()))?;
    // A spreadsheet drops zeros at the end of one cell, hardly of all three.
    let cells = ["r", "g", "b"].into_iter().filter_map(|c| row.get(c));
    let written = cells.map(decimals).max().unwrap_or(0);
    Ok(reading.written_to(written, response, depth))
}

/// The column of the row's table that may hold a channel under another name, where the channel's own
/// column is not there.
fn meant_for<'a>(row: &Row<'a>, channel: &str) -> Option<&'a str> {
    let names: Vec<&str> = row.cells().map(|(column, _)| column).collect();
    let word = match channel {
        "r" => "red",
        "g" => "green",
        _ => "blue",
    };
    let means = |name: &str| [channel, word].contains(&name.to_lowercase().as_str());
    match names.contains(&channel) {
        true => None,
        false => names.into_iter().find(|name| means(name)),
    }
}

/// The settings of a row: `exposure_s`, `gain_db` and `height_m` where known.
///
/// # Errors
/// A cell that is no number or out of range.
pub fn read_capture(row: &Row<'_>) -> Result<Capture> {
    Ok(Capture {
        exposure_s: positive(row, "exposure_s", 1e6, "s")?,
        gain_db: row.optional_number_in("gain_db", -60.0..=120.0, "dB")?,
        height_m: positive(row, "height_m", 1e5, "m")?,
        column: None,
    })
}

/// The picture and box of a row; absent where it names no picture.
///
/// # Errors
/// A picture that cannot be read, a box that is not whole pixels.
pub fn read_region(
    row: &Row<'_>,
    folder: &Path,
    pictures: &mut PictureCache,
) -> Result<Option<(Rc<Picture>, Region)>> {
    let Some(image) = row.get("image") else {
        return Ok(None);
    };
    let region = Region {
        x: whole(row, "x")?,
        y: whole(row, "y")?,
        width: whole(row, "width")?,
        height: whole(row, "height")?,
    };
    let picture = pictures
        .get(image, folder)
        .map_err(|e| row.error("image", e.to_string()))?;
    Ok(Some((picture, region)))
}

/// A code value of a column, where the cell is filled in.
///
/// # Errors
/// One below 0 or above full scale.
pub(super) fn code_cell(row: &Row<'_>, column: &str, depth: BitDepth) -> Result<Option<f64>> {
    row.optional_number_in(column, 0.0..=depth.largest(), "code value")
        .map_err(|e| {
            e.remedy("correct the cell, or state the depth of the code values as rig.bit_depth")
        })
}

fn positive(row: &Row<'_>, column: &str, largest: f64, unit: &str) -> Result<Option<f64>> {
    row.optional_number_in(column, 1e-9..=largest, unit)
}

fn whole(row: &Row<'_>, column: &str) -> Result<usize> {
    let value = row.number(column)?;
    if value.fract() == 0.0 && (0.0..=1e12).contains(&value) {
        return Ok(value as usize);
    }
    Err(row
        .error(
            column,
            format!("found {value}, expected a whole number from 0"),
        )
        .remedy("correct the cell"))
}
