//! Tables: CSV in UTF-8 with a header row, columns in any order, extra columns kept.

use super::nearest_known;
use crate::{Error, Result};
use std::ops::RangeInclusive;
use std::path::{Path, PathBuf};

/// A table read whole, every row with the line it stands on.
///
/// ```
/// let table = boneglow::files::Table::from_bytes("spots.csv", b"target,r\nchalk,12.5\n")?;
/// let row = table.rows().next().unwrap();
/// assert_eq!(row.text("target")?, "chalk");
/// assert_eq!(row.number("r")?, 12.5);
/// assert_eq!(row.line(), 2);
/// # Ok::<(), boneglow::Error>(())
/// ```
#[derive(Debug, Clone)]
pub struct Table {
    path: PathBuf,
    header: Vec<String>,
    rows: Vec<(u64, Vec<String>)>,
}

impl Table {
    /// Reads a table from a file.
    pub fn read(path: &Path) -> Result<Self> {
        Self::from_bytes(path, &super::read(path)?)
    }

    /// Reads a table from bytes; `path` is only named in errors.
    ///
    /// A row of empty cells, as spreadsheets leave them below the last one, is passed over as an
    /// empty line is.
    pub fn from_bytes(path: impl AsRef<Path>, bytes: &[u8]) -> Result<Self> {
        let path = path.as_ref().to_path_buf();
        refuse_spreadsheet(bytes).map_err(|e| e.at(&path))?;
        let bytes = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes);
        if let Err(broken) = std::str::from_utf8(bytes) {
            let before = &bytes[..broken.valid_up_to()];
            let line = 1 + before.iter().filter(|b| **b == b'\n').count() as u64;
            return Err(Error::input("the text is not UTF-8")
                .at(&path)
                .line(line)
                .remedy("save the table as CSV in UTF-8"));
        }
        let mut reader = csv::ReaderBuilder::new()
            .trim(csv::Trim::All)
            .from_reader(bytes);
        let header: Vec<String> = match reader.headers() {
            Ok(header) => header.iter().map(str::to_string).collect(),
            Err(e) => return Err(csv_error(&path, e)),
        };
        if header.iter().all(|name| name.is_empty()) {
            return Err(Error::input("the table is empty")
                .at(&path)
                .remedy("the first line must name the columns"));
        }
        if let [only] = &header[..]
            && let Some(separator) = [';', '\t'].into_iter().find(|c| only.contains(*c))
        {
            let name = if separator == ';' {
                "semicolons"
            } else {
                "tabs"
            };
            return Err(Error::input(format!("the columns are separated by {name}"))
                .at(&path)
                .line(1)
                .remedy(
                    "save the table with commas between columns and a point as the decimal sign",
                ));
        }
        for (i, name) in header.iter().enumerate() {
            if header[..i].contains(name) {
                return Err(Error::input("this column stands twice in the header")
                    .at(&path)
                    .line(1)
                    .column(name)
                    .remedy("rename or remove one of them"));
            }
        }
        let mut rows = Vec::new();
        for record in reader.records() {
            let record = record.map_err(|e| csv_error(&path, e))?;
            if record.iter().all(str::is_empty) {
                continue;
            }
            // Where lines end in CR LF the reader counts from the LF on.
            let line = record.position().map_or(0, |p| {
                let at_feed = bytes.get(p.byte() as usize) == Some(&b'\n');
                p.line() + u64::from(at_feed)
            });
            rows.push((line, record.iter().map(str::to_string).collect()));
        }
        Ok(Table { path, header, rows })
    }

    /// The path, as errors name it.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// The column names in file order.
    pub fn header(&self) -> &[String] {
        &self.header
    }

    /// Whether the table has this column.
    pub fn has(&self, column: &str) -> bool {
        self.header.iter().any(|name| name == column)
    }

    /// Fails, naming the nearest column there is, unless all these columns are there.
    pub fn require(&self, columns: &[&str]) -> Result<()> {
        for &column in columns {
            if !self.has(column) {
                let near = nearest_known(column, self.header.iter().map(String::as_str));
                let remedy = match near {
                    Some(near) => format!("add it, or rename \"{near}\" if that is what it holds"),
                    None => format!("add it; the columns found are {}", self.header.join(", ")),
                };
                return Err(Error::input(format!("the column \"{column}\" is missing"))
                    .at(&self.path)
                    .line(1)
                    .remedy(remedy));
            }
        }
        Ok(())
    }

    /// The rows in file order.
    pub fn rows(&self) -> impl Iterator<Item = Row<'_>> {
        self.rows.iter().map(|(line, fields)| Row {
            table: self,
            line: *line,
            fields,
        })
    }

    /// The number of rows, the header not counted.
    pub fn len(&self) -> usize {
        self.rows.len()
    }

    /// Whether there is no row below the header.
    pub fn is_empty(&self) -> bool {
        self.rows.is_empty()
    }
}

/// One row of a [`Table`].
#[derive(Debug, Clone, Copy)]
pub struct Row<'a> {
    table: &'a Table,
    line: u64,
    fields: &'a [String],
}

impl<'a> Row<'a> {
    /// The line in the file, counted from 1 with the header.
    pub fn line(&self) -> u64 {
        self.line
    }

    /// The table's path, as errors name it.
    pub fn path(&self) -> &'a Path {
        &self.table.path
    }

    /// An error that names this row's file and line.
    pub fn error(&self, column: &str, message: impl Into<String>) -> Error {
        Error::input(message)
            .at(&self.table.path)
            .line(self.line)
            .column(column)
    }

    /// The cell, absent if the column is not there or the cell is empty.
    pub fn get(&self, column: &str) -> Option<&'a str> {
        let at = self.table.header.iter().position(|name| name == column)?;
        self.fields
            .get(at)
            .map(String::as_str)
            .filter(|cell| !cell.is_empty())
    }

    /// The cell's text; an empty cell is an error.
    pub fn text(&self, column: &str) -> Result<&'a str> {
        self.get(column).ok_or_else(|| {
            self.error(column, "the cell is empty, expected text")
                .remedy("fill it in")
        })
    }

    /// The cell as a finite number; an empty cell is an error.
    pub fn number(&self, column: &str) -> Result<f64> {
        self.optional_number(column)?.ok_or_else(|| {
            self.error(column, "the cell is empty, expected a number")
                .remedy("fill it in")
        })
    }

    /// The cell as a finite number, absent if the column is not there or the cell is empty.
    pub fn optional_number(&self, column: &str) -> Result<Option<f64>> {
        let Some(cell) = self.get(column) else {
            return Ok(None);
        };
        match cell.parse::<f64>() {
            Ok(value) if value.is_finite() => Ok(Some(value)),
            _ => Err(self
                .error(
                    column,
                    format!("found \"{cell}\", expected a finite number"),
                )
                .remedy("correct the cell, with a point as the decimal sign")),
        }
    }

    /// As [`Row::optional_number`], and within a range.
    pub fn optional_number_in(
        &self,
        column: &str,
        range: RangeInclusive<f64>,
        unit: &str,
    ) -> Result<Option<f64>> {
        match self.optional_number(column)? {
            Some(value) if !range.contains(&value) => Err(self.error(
                column,
                format!(
                    "found {value}, expected {} to {} {unit}",
                    range.start(),
                    range.end()
                ),
            )),
            other => Ok(other),
        }
    }

    /// The row's cells with their column names, in file order.
    pub fn cells(&self) -> impl Iterator<Item = (&'a str, &'a str)> {
        self.table
            .header
            .iter()
            .map(String::as_str)
            .zip(self.fields.iter().map(String::as_str))
    }
}

/// Fails where the bytes are a spreadsheet's own file, or its "Unicode text", under the name of a table.
fn refuse_spreadsheet(bytes: &[u8]) -> Result<()> {
    let kinds: [(&[u8], &str); 4] = [
        (
            b"PK\x03\x04",
            "a spreadsheet or another zip archive (it starts with \"PK\")",
        ),
        (b"\xd0\xcf\x11\xe0", "a spreadsheet of an old kind"),
        (b"\xff\xfe", "text in UTF-16"),
        (b"\xfe\xff", "text in UTF-16"),
    ];
    match kinds.iter().find(|(start, _)| bytes.starts_with(start)) {
        Some((_, kind)) => Err(Error::input(format!(
            "found {kind}, expected a table as CSV in UTF-8"
        ))
        .remedy(
            "open it in the program that made it and save it as CSV in UTF-8; a new name alone does not change what it is",
        )),
        None => Ok(()),
    }
}

fn csv_error(path: &Path, error: csv::Error) -> Error {
    let line = error.position().map(|p| p.line());
    let message = match error.kind() {
        csv::ErrorKind::UnequalLengths {
            expected_len, len, ..
        } => {
            format!("found {len} cells, expected {expected_len} as in the header")
        }
        _ => error.to_string(),
    };
    let located = Error::input(message).at(path).remedy("correct the line");
    match line {
        Some(line) => located.line(line),
        None => located,
    }
}
