//! The row table of a strip: when and where each laser line was recorded.

use super::{Ground, Pose, PositionPlan, offset_m};
use crate::files::Table;
use crate::numeric::median;
use crate::signal::odd_heights;
use crate::{Error, Result};
use std::path::Path;

/// Time, position, height and heading of a strip's rows, interpolated between those given.
///
/// Columns: `row` (from 0, ascending, need not be every row) and any of `time_s`, `latitude` with
/// `longitude` (degrees, WGS84), `height_m`, `heading_deg`, `photo`; an empty cell is interpolated. `night`
/// is one for the whole strip.
#[derive(Debug, Clone, PartialEq)]
pub struct RowTable {
    rows: u32,
    time_s: Series,
    latitude: Series,
    longitude: Series,
    height_m: Series,
    heading_deg: Series,
    photos: Vec<(f64, String)>,
    night: Option<String>,
}

/// Values at ascending rows.
#[derive(Debug, Clone, Default, PartialEq)]
struct Series(Vec<(f64, f64)>);

impl Series {
    /// The value at `row`, linear in between; absent further beyond an end than the last step.
    fn at(&self, row: f64) -> Option<f64> {
        let points = &self.0;
        let after = points.partition_point(|p| p.0 < row);
        if points.len() < 2 {
            return points
                .first()
                .filter(|p| (p.0 - row).abs() < 1.0)
                .map(|p| p.1);
        }
        let left = after.clamp(1, points.len() - 1) - 1;
        let ((r0, v0), (r1, v1)) = (points[left], points[left + 1]);
        let step = r1 - r0;
        let inside = (r0 - step..=r1 + step).contains(&row);
        inside.then(|| v0 + (v1 - v0) * (row - r0) / step)
    }

    /// The value at `row`, the first or last one beyond the ends.
    fn held(&self, row: f64) -> Option<f64> {
        let (first, last) = (self.0.first()?, self.0.last()?);
        self.at(row.clamp(first.0, last.0))
    }
}

impl RowTable {
    /// Reads the row table of a strip of `rows` rows.
    ///
    /// # Errors
    /// A missing column, a row outside the strip or out of order, a value out of its range: with
    /// the line.
    pub fn read(path: &Path, rows: u32) -> Result<Self> {
        Self::from_table(&Table::read(path)?, rows)
    }

    /// As [`RowTable::read`], from a table that is in memory.
    ///
    /// ```
    /// use boneglow::{files::Table, strip::RowTable};
    /// let text = b"row,latitude,longitude,height_m,heading_deg\n0,10,20,6,350\n100,10.001,20,8,10\n";
    /// let rows = RowTable::from_table(&Table::from_bytes("a.rows.csv", text)?, 101)?;
    /// let pose = rows.pose(50.0).unwrap();
    /// assert_eq!(pose.height_m, 7.0);
    /// assert_eq!(pose.heading_deg, 0.0); // the short way round
    /// # Ok::<(), boneglow::Error>(())
    /// ```
    pub fn from_table(table: &Table, rows: u32) -> Result<Self> {
        table.require(&["row"])?;
        for (one, other) in [("latitude", "longitude"), ("longitude", "latitude")] {
            if table.has(one) {
                table.require(&[other])?;
            }
        }
        if table.is_empty() {
            return Err(Error::input("the row table has no rows")
                .at(table.path())
                .remedy("give at least the first and the last row, or remove the file"));
        }
        let mut result = RowTable {
            rows,
            time_s: Series::default(),
            latitude: Series::default(),
            longitude: Series::default(),
            height_m: Series::default(),
            heading_deg: Series::default(),
            photos: Vec::new(),
            night: None,
        };
        let mut last: Option<f64> = None;
        for row in table.rows() {
            let number = row.number("row")?;
            if number.fract() != 0.0 || !(0.0..f64::from(rows)).contains(&number) {
                return Err(row
                    .error(
                        "row",
                        format!(
                            "found {number}, expected a row of the strip: 0 to {}",
                            rows - 1
                        ),
                    )
                    .remedy("is this the row table of another strip?"));
            }
            if let Some(last) = last.filter(|last| number <= *last) {
                return Err(row
                    .error(
                        "row",
                        format!("found {number} after {last}, expected ascending rows"),
                    )
                    .remedy("sort the table by row and keep each row once"));
            }
            last = Some(number);
            let time = row.optional_number("time_s")?;
            if let (Some(time), Some(before)) = (time, result.time_s.0.last())
                && time < before.1
            {
                return Err(row
                    .error(
                        "time_s",
                        format!("found {time} after {}, expected time to go on", before.1),
                    )
                    .remedy("correct the time"));
            }
            let height = row.optional_number_in("height_m", 0.0..=10_000.0, "m")?;
            if height == Some(0.0) {
                return Err(row
                    .error("height_m", "found 0, expected a height above 0 m")
                    .remedy("correct the height or leave the cell empty"));
            }
            for (series, value, turn) in [
                (&mut result.time_s, time, None),
                (
                    &mut result.latitude,
                    row.optional_number_in("latitude", -90.0..=90.0, "degrees")?,
                    None,
                ),
                (
                    &mut result.longitude,
                    row.optional_number_in("longitude", -180.0..=180.0, "degrees")?,
                    Some(360.0),
                ),
                (&mut result.height_m, height, None),
                (
                    &mut result.heading_deg,
                    row.optional_number_in("heading_deg", -720.0..=720.0, "degrees")?,
                    Some(360.0),
                ),
            ] {
                if let Some(value) = value {
                    let value = match (turn, series.0.last()) {
                        (Some(turn), Some(before)) => nearest_turn(value, before.1, turn),
                        _ => value,
                    };
                    series.0.push((number, value));
                }
            }
            if let Some(photo) = row.get("photo") {
                result.photos.push((number, photo.to_string()));
            }
            if let Some(night) = row.get("night") {
                let first = result.night.get_or_insert_with(|| night.to_string());
                if first != night {
                    return Err(row
                        .error(
                            "night",
                            format!("found \"{night}\" after \"{first}\", expected one night for the whole strip"),
                        )
                        .remedy("name a night by one date in all rows, also after midnight"));
                }
            }
        }
        Ok(result)
    }

    /// What looks like a slip in the table, in plain sentences.
    pub fn oddities(&self) -> Vec<String> {
        let heights = self.height_m.0.iter();
        let heights = heights.map(|(row, height)| (format!("row {row}"), *height));
        let placeless = (0..self.rows)
            .filter(|row| self.pose(f64::from(*row) + 0.5).is_none())
            .count();
        let placeless = (placeless > 0).then(|| {
            format!(
                "{placeless} of {} rows have no place: the row table has no position, height and heading for them.",
                self.rows
            )
        });
        odd_heights(heights).into_iter().chain(placeless).collect()
    }

    /// Rows of the strip.
    pub fn rows(&self) -> u32 {
        self.rows
    }

    /// The night on which the strip was recorded, where that was written down.
    pub fn night(&self) -> Option<&str> {
        self.night.as_deref()
    }

    /// Height in m at a row (may lie between rows); beyond the ends the nearest one.
    pub fn height_m(&self, row: f64) -> Option<f64> {
        self.height_m.held(row)
    }

    /// Time in s since the start of the strip.
    pub fn time_s(&self, row: f64) -> Option<f64> {
        self.time_s.at(row)
    }

    /// Position, height and heading at a row (may lie between rows).
    ///
    /// Beyond the ends it goes on for as far as the last two given rows are apart, then stops.
    pub fn pose(&self, row: f64) -> Option<Pose> {
        Some(Pose {
            latitude: self.latitude.at(row)?,
            longitude: self.longitude.at(row)?,
            height_m: self.height_m.at(row).filter(|h| *h > 0.0)?,
            heading_deg: self.heading_deg.at(row)?.rem_euclid(360.0),
        })
    }

    /// The ground that the strip covers: of each row, its width times half the way to either
    /// neighbor. Absent where no two rows have position and height.
    pub fn ground(&self, plan: &PositionPlan) -> Option<Ground> {
        let place = |row: u32| {
            let row = f64::from(row);
            let here = (self.latitude.at(row)?, self.longitude.at(row)?);
            Some((here, plan.row_width_m(self.height_m.at(row)?)))
        };
        let (mut area, mut widths, mut spacings) = (0.0, Vec::new(), Vec::new());
        let mut before = None;
        for row in 0..self.rows {
            let here = place(row);
            if let (Some((from, w0)), Some((to, w1))) = (before, here) {
                let (east, north) = offset_m(from, to);
                let spacing = east.hypot(north);
                area += spacing * (w0 + w1) / 2.0;
                spacings.push(spacing);
                widths.push((w0 + w1) / 2.0);
            }
            before = here;
        }
        // Each end row reaches half a spacing beyond its middle.
        let row_spacing_m = median(spacings.into_iter())?;
        let row_width_m = median(widths.into_iter())?;
        area += row_spacing_m * row_width_m;
        Some(Ground {
            hectares: area / 10_000.0,
            row_width_m,
            row_spacing_m,
        })
    }

    /// The photograph nearest to a row: in time where times are given, else in rows.
    pub fn nearest_photo(&self, row: f64) -> Option<&str> {
        let when = |row: f64| self.time_s.held(row).unwrap_or(row);
        let here = when(row);
        self.photos
            .iter()
            .min_by(|a, b| {
                (when(a.0) - here)
                    .abs()
                    .total_cmp(&(when(b.0) - here).abs())
            })
            .map(|(_, name)| name.as_str())
    }
}

/// `value` plus the number of whole turns that brings it nearest to `before`.
fn nearest_turn(value: f64, before: f64, turn: f64) -> f64 {
    value + ((before - value) / turn).round() * turn
}
