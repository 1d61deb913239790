//! A strip of 20 000 rows of 2000 pixels (40 megapixels) and a logistic of five classes, from the
//! file to the probability picture, the class picture and the candidates of 12 pixels and more; and
//! the arithmetic alone, from code values in memory.
//!
//! Inputs are 8-bit sRGB PNG and 16-bit linear TIFF, uncompressed and packed. The strips are made
//! once, from seed 1, and kept under `target/`. Where `python3` (or what the variable `PYTHON`
//! names) has numpy, `benches/peers/score.py` does the same job in the same run.

use boneglow::calibration::Rig;
use boneglow::classify::{Method, Model, Novelty, ProbabilityCalibration};
use boneglow::features::Dataset;
use boneglow::numeric::stream;
use boneglow::season::Plan;
use boneglow::signal::{BitDepth, Response};
use boneglow::strip::{
    Block, Cut, Judge, ModelJudge, Pictures, PositionPlan, Samples, ScoreOptions, Scorer,
    StripPicture, StripResult, score, score_block,
};
use divan::counter::ItemsCount;
use ndarray::Array2;
use rand::RngExt;
use std::fs::File;
use std::path::PathBuf;
use std::process::Command;

const WIDTH: u32 = 2000;
const ROWS: u32 = 20_000;
const PIXELS: u64 = WIDTH as u64 * ROWS as u64;
const MIN_PIXELS: u64 = 12;
const CUT: f64 = 0.3;

/// Linear signal of bone, calcite, lichen, matrix, opal.
const GLOWS: [[f64; 3]; 5] = [
    [0.30, 0.42, 0.14],
    [0.45, 0.20, 0.08],
    [0.35, 0.10, 0.05],
    [0.10, 0.07, 0.04],
    [0.10, 0.40, 0.12],
];
const CLASSES: [&str; 5] = ["bone", "calcite", "lichen", "matrix", "opal"];

fn rig(bits: u32, response: Response) -> Rig {
    let text = format!(
        "name = \"bench\"\n[rig]\nname = \"quad\"\nfilter_cut_on_nm = 480\nbit_depth = {bits}\n\
         [calibration]\nassume = \"srgb\"\n[ledger]\nfiles = [\"l\"]\npositive = [\"bone\"]\n"
    );
    Rig::assumed_srgb(&Plan::parse(&text).unwrap(), response).unwrap()
}

fn judge(method: Method) -> ModelJudge {
    let transform = rig(8, Response::Linear).pixel_transform(None, &Default::default());
    let mut rng = stream(1, "score bench ledger", 0);
    let patches = 2000;
    let mut data = Dataset {
        ids: (0..patches).map(|i| i.to_string()).collect(),
        feature_names: ["u", "v", "log_luminance"].map(String::from).to_vec(),
        features: Array2::zeros((patches, 3)),
        covariance: vec![[[0.0; 3]; 3]; patches],
        labels: (0..patches).map(|i| i % 5).collect(),
        classes: CLASSES.map(String::from).to_vec(),
        positive: vec![true, false, false, false, false],
        groups: vec![0; patches],
        group_names: vec!["a".into()],
        weights: vec![1.0; patches],
    };
    for i in 0..patches {
        let bright = (0.8 * (rng.random::<f64>() - 0.5)).exp();
        let signal = GLOWS[i % 5].map(|s| s * bright * (0.3 * (rng.random::<f64>() - 0.5)).exp());
        let color = transform
            .color(boneglow::signal::LinearSignal(signal))
            .unwrap();
        for (j, value) in color.into_iter().enumerate() {
            data.features[(i, j)] = value;
        }
    }
    let settings = method.grid()[method.grid().len() / 4];
    let fitted = method.fit(&data, &data.weights, &settings, 1).unwrap();
    let novelty = Novelty::fit(&data, &data.weights).unwrap();
    let model = Model::new(&data, fitted, ProbabilityCalibration::None, novelty).unwrap();
    ModelJudge::at_prevalence(&model, 0.05).unwrap()
}

/// Linear signal of row `y`: dim ground, glowing things of some pixels' size, pixel noise.
fn row(y: u32) -> Vec<[f64; 3]> {
    let mut rng = stream(1, "score bench strip", u64::from(y));
    let band = y / 40;
    let mut things = stream(1, "score bench things", u64::from(band));
    let places: Vec<(u32, u32, u32, usize)> = (0..12)
        .map(|_| {
            let radius = things.random_range(3..18);
            let x = things.random_range(0..WIDTH);
            (x, band * 40 + 20, radius, things.random_range(0..5))
        })
        .collect();
    (0..WIDTH)
        .map(|x| {
            let mut signal = GLOWS[3].map(|s| s * (1.0 + 0.4 * (f64::from(x + y) / 300.0).sin()));
            for (px, py, radius, class) in &places {
                if px.abs_diff(x).pow(2) + py.abs_diff(y).pow(2) < radius.pow(2) {
                    signal = GLOWS[*class];
                }
            }
            signal.map(|s| {
                let noise: f64 = (0..3).map(|_| rng.random::<f64>() - 0.5).sum();
                (s + noise * (2e-5 + 4e-4 * s).sqrt() * 2.0).clamp(0.0, 1.0)
            })
        })
        .collect()
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Kind {
    Png8,
    Tiff16,
    Tiff16Lzw,
    Tiff16Deflate,
}

impl Kind {
    const ALL: [Kind; 4] = [
        Kind::Png8,
        Kind::Tiff16,
        Kind::Tiff16Lzw,
        Kind::Tiff16Deflate,
    ];

    fn rig(self) -> Rig {
        match self {
            Kind::Png8 => rig(8, Response::Srgb),
            _ => rig(16, Response::Linear),
        }
    }

    /// The strip's file, made where it is not there yet.
    fn path(self) -> PathBuf {
        let folder = PathBuf::from(env!("CARGO_TARGET_TMPDIR")).join("score-bench");
        std::fs::create_dir_all(&folder).unwrap();
        let path = folder.join(match self {
            Kind::Png8 => "strip-8.png",
            Kind::Tiff16 => "strip-16.tiff",
            Kind::Tiff16Lzw => "strip-16-lzw.tiff",
            Kind::Tiff16Deflate => "strip-16-deflate.tiff",
        });
        if !path.exists() {
            let part = path.with_extension("part");
            self.make(File::create(&part).unwrap());
            std::fs::rename(part, &path).unwrap();
        }
        path
    }

    fn make(self, to: File) {
        if self == Kind::Png8 {
            let mut encoder = png::Encoder::new(to, WIDTH, ROWS);
            encoder.set_color(png::ColorType::Rgb);
            encoder.set_depth(png::BitDepth::Eight);
            let mut writer = encoder
                .write_header()
                .unwrap()
                .into_stream_writer()
                .unwrap();
            for y in 0..ROWS {
                let codes = row(y).into_iter().flat_map(|s| {
                    let linear = boneglow::signal::LinearSignal(s);
                    Response::Srgb.codes(linear, BitDepth::EIGHT).0
                });
                let codes: Vec<u8> = codes.map(|c| c.round() as u8).collect();
                std::io::Write::write_all(&mut writer, &codes).unwrap();
            }
            return writer.finish().unwrap();
        }
        use tiff::encoder::{Compression, DeflateLevel, TiffEncoder, colortype::RGB16};
        let compression = match self {
            Kind::Tiff16Lzw => Compression::Lzw,
            Kind::Tiff16Deflate => Compression::Deflate(DeflateLevel::Balanced),
            _ => Compression::Uncompressed,
        };
        let mut encoder = TiffEncoder::new(std::io::BufWriter::new(to))
            .unwrap()
            .with_compression(compression);
        let mut image = encoder.new_image::<RGB16>(WIDTH, ROWS).unwrap();
        image.rows_per_strip(16).unwrap();
        let codes = |rows: std::ops::Range<u32>| -> Vec<u16> {
            let signal = rows.flat_map(row).flatten();
            signal.map(|s| (s * 65_535.0).round() as u16).collect()
        };
        if self != Kind::Tiff16 {
            // Only what is given as a whole is packed.
            return image.write_data(&codes(0..ROWS)).unwrap();
        }
        for y in (0..ROWS).step_by(16) {
            image.write_strip(&codes(y..y + 16)).unwrap();
        }
        image.finish().unwrap();
    }
}

fn whole(kind: Kind, judge: &ModelJudge, threads: Option<usize>) -> StripResult {
    let folder = tempfile::tempdir().unwrap();
    let (probability, classes) = (folder.path().join("p.png"), folder.path().join("c.png"));
    let cut = Cut {
        probability: CUT,
        min_log_luminance: None,
    };
    let scorer = Scorer::of_model(&kind.rig(), judge, cut).unwrap();
    let options = ScoreOptions {
        min_pixels: MIN_PIXELS,
        join_gap: 0,
        position: PositionPlan {
            fov_deg: 70.0,
            gnss_sd_m: 3.0,
            heading_sd_deg: 2.0,
            height_sd_m: 0.3,
        },
        rows: None,
        marks: None,
        pictures: Some(Pictures {
            probability: &probability,
            classes: &classes,
        }),
        threads,
    };
    score(&kind.path(), &scorer, &options, &|_| ()).unwrap()
}

#[divan::bench(args = Kind::ALL, sample_count = 5, sample_size = 1)]
fn whole_strip(bencher: divan::Bencher, kind: Kind) {
    let judge = judge(Method::Logistic);
    kind.path();
    bencher
        .counter(ItemsCount::new(PIXELS))
        .bench_local(|| whole(kind, &judge, None));
}

#[divan::bench(args = [Kind::Png8, Kind::Tiff16], sample_count = 3, sample_size = 1)]
fn whole_strip_nearest_neighbours(bencher: divan::Bencher, kind: Kind) {
    let Ok(method) = Method::parse("neighbours") else {
        return;
    };
    let judge = judge(method);
    bencher
        .counter(ItemsCount::new(PIXELS))
        .bench_local(|| whole(kind, &judge, None));
}

#[divan::bench(args = [Kind::Png8, Kind::Tiff16], sample_count = 5, sample_size = 1)]
fn reading_alone(bencher: divan::Bencher, kind: Kind) {
    let path = kind.path();
    bencher.counter(ItemsCount::new(PIXELS)).bench_local(|| {
        let mut picture = StripPicture::open(&path).unwrap();
        let mut rows = 0;
        while let Some(block) = picture.next_block().unwrap() {
            rows += block.rows;
        }
        rows
    });
}

/// One thread, code values and results in memory.
#[divan::bench(args = [8, 16])]
fn arithmetic_alone(bencher: divan::Bencher, bits: u32) {
    let judge = judge(Method::Logistic);
    let kind = if bits == 8 { Kind::Png8 } else { Kind::Tiff16 };
    let cut = Cut {
        probability: CUT,
        min_log_luminance: None,
    };
    let scorer = Scorer::of_model(&kind.rig(), &judge, cut).unwrap();
    let rows = 64;
    let signal: Vec<f64> = (0..rows).flat_map(row).flatten().collect();
    let samples = match bits {
        8 => Samples::Eight(
            signal
                .iter()
                .map(|s| (s.powf(1.0 / 2.4) * 255.0) as u8)
                .collect(),
        ),
        _ => Samples::Sixteen(signal.iter().map(|s| (s * 65_535.0) as u16).collect()),
    };
    let block = Block {
        index: 0,
        first_row: 0,
        rows,
        samples,
    };
    bencher
        .counter(ItemsCount::new(rows * WIDTH))
        .bench_local(|| score_block(&scorer, &block, WIDTH));
}

/// The largest memory that this process has held, in MB (Linux).
fn peak_mb() -> Option<f64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find(|l| l.starts_with("VmHWM:"))?;
    line.split_whitespace()
        .nth(1)?
        .parse::<f64>()
        .ok()
        .map(|kb| kb / 1024.0)
}

/// Intercept and slopes of each class's log odds against the last, from the model's own answers.
fn logits(judge: &ModelJudge) -> Vec<[f64; 4]> {
    let at = [0.2, 0.5, -0.5];
    let mut colors = vec![at];
    for i in 0..3 {
        let mut color = at;
        color[i] += 0.01;
        colors.push(color);
    }
    let p = judge.probabilities(&colors);
    let odds = |i: usize, k: usize| (p[(i, k)] / p[(i, 4)]).ln();
    (0..5)
        .map(|k| {
            let slopes = [0, 1, 2].map(|i| (odds(i + 1, k) - odds(0, k)) / 0.01);
            let rest: f64 = slopes.iter().zip(at).map(|(s, a)| s * a).sum();
            [odds(0, k) - rest, slopes[0], slopes[1], slopes[2]]
        })
        .collect()
}

/// One strip in a process of its own, so that its time and peak memory are its own.
fn alone(kind: Kind) {
    let judge = judge(Method::Logistic);
    let start = std::time::Instant::now();
    let result = whole(kind, &judge, None);
    let seconds = start.elapsed().as_secs_f64();
    let peak = peak_mb().map_or("not known".to_string(), |mb| format!("{mb:.0} MB"));
    println!(
        "{kind:?}, ours: {seconds:.2} s, {:.0} megapixels/s, peak memory {peak}, {} components, {} pixels at or above the cut",
        PIXELS as f64 / 1e6 / seconds,
        result.walks,
        result.pixels.walk
    );
}

fn main() {
    let arguments: Vec<String> = std::env::args().collect();
    if let Some(at) = arguments.iter().position(|a| a == "--alone") {
        let kind = Kind::ALL
            .into_iter()
            .find(|k| arguments.get(at + 1) == Some(&format!("{k:?}")));
        return alone(kind.expect("a kind of strip"));
    }
    divan::main();
    if arguments.iter().any(|a| a == "--test" || a == "--list") {
        return;
    }
    let logits = serde_json::to_string(&logits(&judge(Method::Logistic))).unwrap();
    let python = std::env::var("PYTHON").unwrap_or_else(|_| "python3".into());
    for kind in Kind::ALL {
        let own = Command::new(&arguments[0])
            .args(["--alone", &format!("{kind:?}")])
            .status();
        if !own.is_ok_and(|s| s.success()) {
            println!("{kind:?} alone did not run");
        }
        let peer = Command::new(&python)
            .arg(concat!(
                env!("CARGO_MANIFEST_DIR"),
                "/benches/peers/score.py"
            ))
            .arg(kind.path())
            .args([&logits, &CUT.to_string(), &MIN_PIXELS.to_string()])
            .status();
        if !peer.is_ok_and(|s| s.success()) {
            println!("the peer did not run (numpy and OpenCV or tifffile are needed)");
        }
    }
}
