//! 10 000 resamples of groups: area under the curve and recall at a false alarm rate of 0.1 of
//! 20 000 scores, in 12 and in 2000 groups.
//!
//! After ours, the same data go to `benches/peers/bootstrap.py` where `python3` (or what the
//! variable `PYTHON` names) has numpy, so that both are measured in one run.

use boneglow::evaluation::{ClusterBootstrap, Scores};
use boneglow::numeric::stream;
use rand::RngExt;
use std::io::Write;
use std::process::Command;

const PATCHES: usize = 20_000;
const REPLICATES: usize = 10_000;
const RATE: f64 = 0.1;

struct Data {
    score: Vec<f64>,
    positive: Vec<bool>,
    group: Vec<usize>,
}

/// One patch in five is positive; groups differ in size and level; scores to six decimals.
fn data(groups: usize) -> Data {
    let mut rng = stream(1, "bootstrap bench", groups as u64);
    let mut data = Data {
        score: Vec::new(),
        positive: Vec::new(),
        group: Vec::new(),
    };
    let level: Vec<f64> = (0..groups).map(|_| rng.random()).collect();
    for patch in 0..PATCHES {
        let draw: f64 = rng.random();
        let group = match patch < groups {
            true => patch,
            false => (draw.powf(1.3) * groups as f64) as usize,
        };
        let positive = rng.random_range(0..5) == 0;
        let noise: f64 = (0..4).map(|_| rng.random::<f64>()).sum();
        let lift = if positive { 1.0 } else { 0.0 };
        let score = (noise + lift + 0.5 * level[group]) / 6.0;
        data.score.push((score * 1e6).round() / 1e6);
        data.positive.push(positive);
        data.group.push(group);
    }
    data
}

#[divan::bench(args = [12, 2000])]
fn auc_and_recall(bencher: divan::Bencher, groups: usize) {
    let data = data(groups);
    let mut bootstrap = ClusterBootstrap::new(1, 0.95);
    bootstrap.replicates = REPLICATES;
    let units = bootstrap.units(&data.group, groups);
    bencher.bench(|| {
        let scores = Scores::new(&data.score, &data.positive).unwrap();
        let found = bootstrap.resample_auc_and_recall(&scores, &units, RATE);
        found.unwrap()
    });
}

fn peer(groups: usize) -> std::io::Result<()> {
    let data = data(groups);
    let mut file = tempfile::NamedTempFile::new()?;
    writeln!(file, "score,positive,group")?;
    for patch in 0..PATCHES {
        let positive = u8::from(data.positive[patch]);
        writeln!(
            file,
            "{:.6},{positive},{}",
            data.score[patch], data.group[patch]
        )?;
    }
    file.flush()?;
    let python = std::env::var("PYTHON").unwrap_or_else(|_| "python3".into());
    let status = Command::new(python)
        .arg(concat!(
            env!("CARGO_MANIFEST_DIR"),
            "/benches/peers/bootstrap.py"
        ))
        .arg(file.path())
        .args([REPLICATES.to_string(), RATE.to_string()])
        .status()?;
    if !status.success() {
        println!("the peer did not run (numpy is needed)");
    }
    Ok(())
}

/// Ours at seed 1, to compare the figures and not only the times.
fn summary(groups: usize) {
    let data = data(groups);
    let scores = Scores::new(&data.score, &data.positive).unwrap();
    let mut bootstrap = ClusterBootstrap::new(1, 0.95);
    bootstrap.replicates = REPLICATES;
    let units = bootstrap.units(&data.group, groups);
    let found = bootstrap
        .resample_auc_and_recall(&scores, &units, RATE)
        .unwrap();
    let deviation = |of: Vec<f64>| {
        let mean = of.iter().sum::<f64>() / of.len() as f64;
        let squares: f64 = of.iter().map(|x| (x - mean).powi(2)).sum();
        (squares / (of.len() - 1) as f64).sqrt()
    };
    println!(
        "{groups} groups, ours: standard deviation of AUC {:.5}, of recall {:.5}",
        deviation(found.iter().filter_map(|f| f.auc).collect()),
        deviation(found.iter().filter_map(|f| f.recall).collect()),
    );
}

fn main() {
    divan::main();
    if std::env::args().any(|argument| argument == "--test" || argument == "--list") {
        return;
    }
    for groups in [12, 2000] {
        summary(groups);
        if let Err(error) = peer(groups) {
            println!("the peer did not run: {error}");
        }
    }
}
