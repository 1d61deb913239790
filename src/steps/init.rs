//! A new season folder: a commented `season.toml` and the headers of its tables.

use super::Outcome;
use crate::files;
use crate::{Error, Result};
use std::path::Path;

const FILES: [(&str, &str); 5] = [
    ("season.toml", include_str!("init/season.toml")),
    ("targets/reference.csv", include_str!("init/reference.csv")),
    ("targets/captures.csv", include_str!("init/captures.csv")),
    ("ledger/checks.csv", include_str!("init/checks.csv")),
    ("strips/README.txt", include_str!("init/strips.txt")),
];

/// Writes a season to fill in; a file that is already there is an error and nothing is written.
pub fn init(folder: &Path) -> Result<Outcome> {
    for (name, _) in FILES {
        let path = folder.join(name);
        if path.exists() {
            return Err(Error::input("this file is already there")
                .at(path)
                .remedy("name a folder that holds no season yet"));
        }
    }
    for (name, text) in FILES {
        files::write_whole(&folder.join(name), text.as_bytes())?;
    }
    Ok(Outcome::new("init").say(format!(
        "Started a season in {}. Fill in season.toml, targets/ and ledger/, then call `boneglow \
         run --season {}`.",
        folder.display(),
        folder.display()
    )))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::season::Plan;

    #[test]
    fn the_season_file_that_init_writes_can_be_read() {
        let plan = Plan::parse(include_str!("init/season.toml")).unwrap();
        assert_eq!(plan.ledger.positive, ["bone"]);
    }

    #[test]
    fn init_never_overwrites_a_season() {
        let folder = tempfile::tempdir().unwrap();
        init(folder.path()).unwrap();
        let error = init(folder.path()).unwrap_err().to_string();
        assert!(error.contains("already there"), "{error}");
    }
}
