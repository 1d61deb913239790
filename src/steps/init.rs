//! A new season folder: a commented `season.toml` and the headers of its tables.

use super::Outcome;
use crate::files;
use crate::{Error, Result};
use std::path::Path;

const FILES: [(&str, &str); 7] = [
    ("season.toml", include_str!("init/season.toml")),
    ("targets/reference.csv", include_str!("init/reference.csv")),
    ("targets/README.txt", include_str!("init/targets.txt")),
    ("targets/captures.csv", include_str!("init/captures.csv")),
    ("ledger/checks.csv", include_str!("init/checks.csv")),
    ("ledger/README.txt", include_str!("init/ledger.txt")),
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
        "Started a season in {}. Fill in season.toml, targets/ and ledger/ (README.txt in each \
         folder explains its tables), then call `boneglow run --season {}`.",
        folder.display(),
        folder.display()
    )))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::season::Plan;
    use std::collections::BTreeMap;

    #[test]
    fn the_season_file_that_init_writes_can_be_read() {
        let plan = Plan::parse(include_str!("init/season.toml")).unwrap();
        assert_eq!(plan.ledger.positive, ["bone"]);
    }

    /// The lines of a section that set a key or show how.
    fn keys(section: &str) -> BTreeMap<String, toml::Value> {
        let text = include_str!("init/season.toml");
        let (_, rest) = text.split_once(&format!("[{section}]\n")).unwrap();
        let lines = rest.lines().take_while(|l| !l.starts_with('['));
        let set = lines.filter_map(|l| l.trim_start_matches("# ").parse::<toml::Table>().ok());
        set.flatten().collect()
    }

    #[test]
    fn the_season_file_shows_every_key_with_its_default() {
        let plan = Plan::parse(include_str!("init/season.toml")).unwrap();
        let plan = serde_json::to_value(plan).unwrap();
        let number = |v: &toml::Value| v.as_float().or(v.as_integer().map(|i| i as f64));
        let mut compared = 0;
        for (section, defaults) in plan.as_object().unwrap() {
            let Some(defaults) = defaults.as_object() else {
                continue;
            };
            let shown = keys(section);
            for (key, default) in defaults {
                let shown = shown.get(key);
                let shown = shown.unwrap_or_else(|| panic!("{section}.{key} is not shown"));
                let example = default.is_null() || (section == "strips" && key == "files");
                let same = match default.as_f64() {
                    Some(default) => number(shown) == Some(default),
                    None => serde_json::to_value(shown).unwrap() == *default,
                };
                assert!(
                    example || same,
                    "{section}.{key}: {shown}, default {default}"
                );
                compared += usize::from(!example);
            }
        }
        assert!(compared > 30, "{compared}");
        // Keys that no result of the calibration depends on, and so are not among its inputs.
        assert!(keys("calibration").contains_key("nights"));
        let shown = keys("calibration")["max_drift_uv"].as_float();
        let plan = Plan::parse(include_str!("init/season.toml")).unwrap();
        assert_eq!(shown, Some(plan.calibration.drift_limit_uv()));
    }

    /// The samples in the texts stand under the headers of the tables, and can be read.
    #[test]
    fn the_texts_explain_the_tables_beside_them() {
        for (text, header) in [
            (
                include_str!("init/targets.txt"),
                include_str!("init/captures.csv"),
            ),
            (
                include_str!("init/ledger.txt"),
                include_str!("init/checks.csv"),
            ),
        ] {
            let (explained, sample) = text.split_once(&format!("\n  {header}")).unwrap();
            for column in header.trim().split(',') {
                assert!(explained.contains(column), "{column}");
            }
            let rows = sample.lines().take_while(|l| l.starts_with("  "));
            let rows: Vec<&str> = rows.map(str::trim_start).collect();
            let table = format!("{header}{}", rows.join("\n"));
            let table = files::Table::from_bytes("sample", table.as_bytes()).unwrap();
            assert_eq!(table.len(), 3);
            assert!(table.rows().all(|r| r.get("image").is_some()));
        }
        assert!(
            include_str!("init/targets.txt").contains(include_str!("init/reference.csv").trim())
        );
    }

    #[test]
    fn init_never_overwrites_a_season() {
        let folder = tempfile::tempdir().unwrap();
        init(folder.path()).unwrap();
        let error = init(folder.path()).unwrap_err().to_string();
        assert!(error.contains("already there"), "{error}");
    }
}
