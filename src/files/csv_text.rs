//! Tables as they are written: CSV in UTF-8 with a header row.

/// A table as CSV: its header, then its rows, each of as many cells; a cell is quoted where it must be.
///
/// ```
/// let rows = [["a, b", "1"], ["c", ""]];
/// let csv = boneglow::files::to_csv(["spot", "r"], rows);
/// assert_eq!(csv, b"spot,r\n\"a, b\",1\nc,\n");
/// ```
pub fn to_csv<H, R>(header: H, rows: impl IntoIterator<Item = R>) -> Vec<u8>
where
    H: IntoIterator<Item: AsRef<[u8]>>,
    R: IntoIterator<Item: AsRef<[u8]>>,
{
    let mut writer = csv::Writer::from_writer(Vec::new());
    // Memory refuses nothing, and rows are as long as the header by what the callers make of them.
    writer.write_record(header).expect("a header");
    for row in rows {
        writer
            .write_record(row)
            .expect("a row as long as the header");
    }
    writer.into_inner().expect("memory that takes what is left")
}
