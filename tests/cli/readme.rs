use crate::support::TrialSeason;
use boneglow::report::description;
use std::collections::BTreeSet;

fn readme() -> String {
    std::fs::read_to_string(concat!(env!("CARGO_MANIFEST_DIR"), "/README.md")).unwrap()
}

/// Words of README that are called as `boneglow WORD` or stand as code at the start of a table cell.
fn told() -> BTreeSet<String> {
    let text = readme();
    let called = text.split("boneglow ").skip(1).map(|rest| {
        rest.split(|c: char| !c.is_ascii_lowercase())
            .next()
            .unwrap_or("")
    });
    let listed = text
        .lines()
        .filter(|l| l.starts_with("| "))
        .flat_map(|l| l.split('`').skip(1).step_by(2))
        .map(|code| code.split(' ').next().unwrap_or(""));
    called.chain(listed).map(str::to_string).collect()
}

#[test]
fn readme_tells_of_every_command() {
    let help = TrialSeason::small().succeeds(&["--help"]);
    let commands: Vec<&str> = help
        .lines()
        .skip_while(|l| !l.starts_with("Commands:"))
        .skip(1)
        .take_while(|l| !l.is_empty())
        .filter(|l| l.starts_with("  ") && !l.starts_with("   "))
        .filter_map(|l| l.split_whitespace().next())
        .filter(|c| *c != "help")
        .collect();
    assert!(commands.len() > 14, "{commands:?}");
    let told = told();
    for command in commands {
        assert!(told.contains(command), "README does not tell of {command}");
    }
}

#[test]
fn the_season_that_init_writes_is_understood() {
    let season = TrialSeason::small();
    season.succeeds(&["init", "my-season"]);
    assert!(season.path("my-season/season.toml").is_file());
    season.refuses(&["run", "--season", "my-season"], &["my-season"]);
}

#[test]
fn the_pictures_in_readme_are_those_of_the_demo() {
    let season = TrialSeason::small();
    season.succeeds(&["--quiet", "demo", "demo"]);
    let text = readme();
    let pictures: Vec<&str> = text
        .split("(notebooks/pictures/")
        .skip(1)
        .filter_map(|rest| rest.split_once(".svg)"))
        .map(|(name, _)| name)
        .collect();
    assert!(!pictures.is_empty());
    for name in pictures {
        let kept = format!(
            "{}/notebooks/pictures/{name}.svg",
            env!("CARGO_MANIFEST_DIR")
        );
        let kept = std::fs::read_to_string(kept).unwrap();
        let made = season.read(&match name.strip_prefix("strip-") {
            Some(strip) => format!("demo/results/strips/{strip}/overview.svg"),
            None => format!("demo/results/figures/{name}.svg"),
        });
        assert!(!description(&kept).is_empty());
        assert_eq!(
            description(&kept),
            description(&made),
            "copy {name}.svg from the demo"
        );
    }
}
