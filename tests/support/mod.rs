//! Season folders to try the command on.

use assert_cmd::Command;
use std::fmt::Write;
use std::path::{Path, PathBuf};

/// A season in a folder of its own, removed when it goes out of scope.
pub struct TrialSeason {
    folder: tempfile::TempDir,
}

const SMALL: &str = r#"name = "Trial season"
[rig]
name = "trial rig"
laser_nm = 450
filter_cut_on_nm = 480
[calibration]
assume = "srgb"
[ledger]
files = ["ledger/*.csv"]
positive = ["bone"]
[classify]
classifiers = ["brightness", "logistic", "discriminant"]
replicates = 200
"#;

/// Code values of each class: mean, and how much a patch differs from it.
const CLASSES: [(&str, [f64; 3]); 3] = [
    ("bone", [150.0, 150.0, 90.0]),
    ("calcite", [190.0, 120.0, 60.0]),
    ("matrix", [90.0, 80.0, 60.0]),
];

impl TrialSeason {
    /// A season of footage without targets whose rig is there: 8 sites, 3 classes that overlap,
    /// 192 patches.
    pub fn small() -> Self {
        let season = TrialSeason {
            folder: tempfile::tempdir().unwrap(),
        };
        season.write("season.toml", SMALL);
        season.write("ledger/checks.csv", &small_ledger(8, 8));
        season.succeeds(&["calibrate"]);
        season
    }

    /// The demo season, without its strips.
    #[allow(dead_code)]
    pub fn demo() -> Self {
        let season = TrialSeason {
            folder: tempfile::tempdir().unwrap(),
        };
        let from = Path::new(env!("CARGO_MANIFEST_DIR")).join("reference-spectra-demo");
        for part in ["season.toml", "targets", "ledger"] {
            copy(&from.join(part), &season.path(part));
        }
        season.edit("season.toml", |text| {
            text.lines()
                .filter(|l| !l.starts_with("files = [\"strips"))
                .collect::<Vec<_>>()
                .join("\n")
        });
        season
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    pub fn read(&self, name: &str) -> String {
        std::fs::read_to_string(self.path(name)).unwrap()
    }

    pub fn write(&self, name: &str, text: &str) {
        let path = self.path(name);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(path, text).unwrap();
    }

    pub fn edit(&self, name: &str, change: impl FnOnce(&str) -> String) {
        let changed = change(&self.read(name));
        self.write(name, &changed);
    }

    /// Replaces the first occurrence, which must be there.
    pub fn replace(&self, name: &str, from: &str, to: &str) {
        self.edit(name, |text| {
            assert!(text.contains(from), "{name} does not hold {from:?}");
            text.replacen(from, to, 1)
        });
    }

    pub fn command(&self, arguments: &[&str]) -> Command {
        let mut command = Command::cargo_bin("boneglow").unwrap();
        command.current_dir(self.folder.path()).args(arguments);
        command
    }

    /// Runs, expects exit code 0, gives standard output.
    #[allow(dead_code)]
    pub fn succeeds(&self, arguments: &[&str]) -> String {
        let output = self.command(arguments).output().unwrap();
        let errors = String::from_utf8_lossy(&output.stderr).to_string();
        assert_eq!(output.status.code(), Some(0), "{arguments:?}: {errors}");
        String::from_utf8_lossy(&output.stdout).to_string()
    }

    /// Runs, expects exit code 2, every one of `said` in the error, and `results/` as it was.
    #[allow(dead_code)]
    pub fn refuses(&self, arguments: &[&str], said: &[&str]) {
        let before = self.snapshot();
        let output = self.command(arguments).output().unwrap();
        let errors = String::from_utf8_lossy(&output.stderr).to_string();
        assert_eq!(output.status.code(), Some(2), "{arguments:?}: {errors}");
        for part in said {
            assert!(errors.contains(part), "expected {part:?} in:\n{errors}");
        }
        assert!(!errors.contains("panicked"), "{errors}");
        assert_eq!(self.snapshot(), before, "results/ changed");
    }

    fn snapshot(&self) -> Vec<(PathBuf, Vec<u8>)> {
        let mut files = Vec::new();
        let results = self.path("results");
        if results.is_dir() {
            collect(&results, &mut files);
        }
        files.sort();
        files
    }
}

/// A ledger with a class's patches at every site, deterministic and with some overlap.
pub fn small_ledger(sites: usize, patches_of_a_class: usize) -> String {
    let mut text = String::from("patch_id,site,night,label,r,g,b,r_sd,g_sd,b_sd,pixels\n");
    let mut state = 12345_u64;
    let mut noise = || {
        state = state
            .wrapping_mul(6364136223846793005)
            .wrapping_add(1442695040888963407);
        (state >> 33) as f64 / (1u64 << 31) as f64 * 2.0 - 1.0
    };
    for site in 0..sites {
        let shift = [0, 1, 2].map(|_| 9.0 * noise());
        for (label, mean) in CLASSES {
            for number in 0..patches_of_a_class {
                let [r, g, b] = std::array::from_fn(|c| mean[c] + shift[c] + 16.0 * noise());
                writeln!(
                    text,
                    "{label}-{site}-{number},site-{site},n1,{label},{r:.2},{g:.2},{b:.2},3.0,3.0,3.0,400"
                )
                .unwrap();
            }
        }
    }
    text
}

#[allow(dead_code)]
fn copy(from: &Path, to: &Path) {
    if from.is_dir() {
        std::fs::create_dir_all(to).unwrap();
        for entry in std::fs::read_dir(from).unwrap() {
            let entry = entry.unwrap();
            copy(&entry.path(), &to.join(entry.file_name()));
        }
    } else {
        std::fs::copy(from, to).unwrap();
    }
}

fn collect(folder: &Path, files: &mut Vec<(PathBuf, Vec<u8>)>) {
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            collect(&path, files);
        } else {
            files.push((path.clone(), std::fs::read(&path).unwrap()));
        }
    }
}
