//! Nested leave-one-site-out of every classifier, and 10 000 resamples of sites of AUC and recall:
//! 20 000 patches x 4 features x 5 classes, 12 sites.
//!
//! Tuning, probability calibration and prediction of the left-out sites; each classifier in a
//! process of its own, so that its peak memory is its own. Processor time divided by the number of
//! cores is what the wall time would be on a machine without other work. `all` is the whole step of
//! a season, from the patches to what `evaluation.json` holds. Then the same patches go to
//! `benches/peers/evaluation.py` where `python3` (or what the variable `PYTHON` names) has
//! scikit-learn.

#[path = "support/patches.rs"]
mod patches;
#[path = "support/process.rs"]
mod process;

use boneglow::classify::Method;
use boneglow::evaluation::{
    ClusterBootstrap, Folds, Inside, Recipe, Scores, Survey, cross_validate, evaluate,
};
use boneglow::features::Dataset;
use boneglow::season::Plan;
use std::fmt::Write as _;
use std::process::Command;
use std::time::Instant;

const PATCHES: usize = 20_000;
const REPLICATES: usize = 10_000;
const RATE: f64 = 0.1;
const PLAN: &str = "name = \"bench\"\n[rig]\nname = \"quad\"\nfilter_cut_on_nm = 480\n\
    [calibration]\nassume = \"srgb\"\n[ledger]\nfiles = [\"l\"]\npositive = [\"bone\"]\n";

fn nested(data: &Dataset, method: Method) {
    let folds = Folds::by_group(&data.groups).unwrap();
    let inside = Inside {
        balance_classes: false,
        nested: true,
        seed: 1,
    };
    let recipe = [Recipe::tuned(method)];
    let found = cross_validate(data, &recipe, &folds, inside, None, &|_| ()).unwrap();
    let bootstrap = ClusterBootstrap {
        replicates: REPLICATES,
        ..ClusterBootstrap::new(1, 0.95)
    };
    let (p, positive) = (found[0].p_positive(), found[0].is_positive());
    let scores = Scores::new(&p, &positive).unwrap();
    let intervals = bootstrap
        .auc_and_recall(&scores, &found[0].units(&bootstrap), RATE)
        .unwrap();
    let auc = intervals.auc.unwrap();
    print!("AUC {:.4} ({:.4} to {:.4})  ", auc.value, auc.low, auc.high);
}

fn whole_step(data: &Dataset) {
    let plan = Plan::parse(PLAN).unwrap();
    let mut classify = plan.classify.clone();
    classify.replicates = REPLICATES;
    let evaluated = evaluate(data, Survey::default(), &classify, &plan.threshold, &|_| ()).unwrap();
    print!("chosen: {}  ", evaluated.evaluation.chosen);
}

fn alone(name: &str) {
    let data = patches::data(PATCHES);
    let (start, before) = (Instant::now(), process::user_seconds());
    print!("{name:>12}  ");
    match Method::parse(name) {
        Ok(method) => nested(&data, method),
        Err(_) => whole_step(&data),
    }
    let wall = start.elapsed().as_secs_f64();
    let user = process::user_seconds().zip(before).map(|(now, b)| now - b);
    let told =
        |x: Option<f64>, unit: &str| x.map_or("not known".into(), |x| format!("{x:.2} {unit}"));
    println!(
        "wall {wall:.2} s, processor {}, peak {}",
        told(user, "s"),
        told(process::peak_mb(), "MB")
    );
}

fn peer() -> std::io::Result<()> {
    let data = patches::data(PATCHES);
    let mut table = String::from("label,group,a,b,c,d\n");
    for (i, row) in data.features.rows().into_iter().enumerate() {
        let _ = write!(table, "{},{}", data.labels[i], data.groups[i]);
        for x in row {
            let _ = write!(table, ",{x}");
        }
        table.push('\n');
    }
    let file = tempfile::NamedTempFile::new()?;
    std::fs::write(file.path(), table)?;
    let python = std::env::var("PYTHON").unwrap_or_else(|_| "python3".into());
    let status = Command::new(python)
        .arg(concat!(
            env!("CARGO_MANIFEST_DIR"),
            "/benches/peers/evaluation.py"
        ))
        .arg(file.path())
        .status()?;
    if !status.success() {
        println!("the peer did not run (scikit-learn is needed)");
    }
    Ok(())
}

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    if arguments.iter().any(|a| a == "--test" || a == "--list") {
        return;
    }
    let named: Vec<&String> = arguments.iter().filter(|a| !a.starts_with('-')).collect();
    if let ([name], true) = (&named[..], arguments.iter().any(|a| a == "--alone")) {
        return alone(name);
    }
    let all: Vec<&str> = match named.is_empty() {
        true => Method::ALL
            .map(Method::name)
            .into_iter()
            .chain(["all"])
            .collect(),
        false => named.iter().map(|n| n.as_str()).collect(),
    };
    let program = std::env::current_exe().unwrap();
    for name in all {
        if name == "peer" {
            continue;
        }
        let own = Command::new(&program).args(["--alone", name]).status();
        if !own.is_ok_and(|s| s.success()) {
            println!("{name} did not run");
        }
    }
    if (named.is_empty() || named.iter().any(|n| *n == "peer"))
        && let Err(error) = peer()
    {
        println!("the peer did not run: {error}");
    }
}
