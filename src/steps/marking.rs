//! The mark on what a rig gave that was assumed and not calibrated.

use super::tables::with_columns;
use crate::Result;
use crate::files::Table;

/// What a step says of such colors.
pub const NOT_CALIBRATED: &str =
    "Not calibrated: colors are those that the camera's sRGB would mean.";

/// A table as it is, or where it is not calibrated with a column `calibrated` that says false.
pub fn marked(csv: Vec<u8>, calibrated: bool) -> Result<Vec<u8>> {
    if calibrated {
        return Ok(csv);
    }
    let table = Table::from_bytes("the table to be written", &csv)?;
    let cells = vec![vec!["false".to_string()]; table.len()];
    Ok(with_columns(&table, &["calibrated".to_string()], &cells))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_a_table_that_is_not_calibrated_is_marked() {
        let csv = b"u,note\n0.2,\"a, b\"\n".to_vec();
        assert_eq!(marked(csv.clone(), true).unwrap(), csv);
        let once = marked(csv, false).unwrap();
        assert_eq!(once, b"u,note,calibrated\n0.2,\"a, b\",false\n");
        assert_eq!(marked(once.clone(), false).unwrap(), once);
        assert_eq!(marked(b"u\n".to_vec(), false).unwrap(), b"u,calibrated\n");
    }
}
