//! The committed demo season is what the program makes.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

fn committed() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("reference-spectra-demo")
}

fn read_all(folder: &Path, below: &Path, found: &mut BTreeMap<String, Vec<u8>>) {
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            read_all(&path, below, found);
        } else {
            let name: Vec<String> = path
                .strip_prefix(below)
                .unwrap()
                .iter()
                .map(|part| part.to_string_lossy().to_string())
                .collect();
            found.insert(name.join("/"), std::fs::read(&path).unwrap());
        }
    }
}

#[test]
fn the_demo_season_is_regenerated_byte_for_byte() {
    let made: BTreeMap<_, _> = boneglow::simulation::demo::files()
        .unwrap()
        .into_iter()
        .collect();
    let mut kept = BTreeMap::new();
    read_all(&committed(), &committed(), &mut kept);
    let names = |of: &BTreeMap<String, Vec<u8>>| of.keys().cloned().collect::<Vec<_>>();
    assert_eq!(names(&made), names(&kept), "files that are there");
    for (name, bytes) in &made {
        assert!(bytes == &kept[name], "{name} differs: regenerate the demo");
    }
}

#[test]
fn the_demo_season_is_small_enough_to_carry() {
    let mut kept = BTreeMap::new();
    read_all(&committed(), &committed(), &mut kept);
    let bytes: usize = kept.values().map(Vec::len).sum();
    assert!(bytes < 4_000_000, "{bytes} bytes");
}
