//! Whole strips through the functions that a season calls, and what they share.

use super::*;
use crate::calibration::{Exposure, Rig};
use crate::classify::{
    CalibrationKind, Method, Model, Novelty, ProbabilityCalibration, Settings, training_weights,
};
use crate::features::Dataset;
use crate::files::Table;
use crate::season::Plan;
use crate::signal::{BitDepth, Response};
use ndarray::Array2;
use std::path::{Path, PathBuf};

/// A rig assumed to be sRGB.
pub(super) fn rig() -> Rig {
    let text = r#"
        name = "test"
        [rig]
        name = "quad"
        filter_cut_on_nm = 480
        [calibration]
        assume = "srgb"
        [ledger]
        files = ["ledger/*.csv"]
        positive = ["bone"]
    "#;
    Rig::assumed_srgb(&Plan::parse(text).unwrap(), Response::Srgb).unwrap()
}

/// Code values of the classes' glows.
const GROUND: [u8; 3] = [70, 40, 30];
const BONE: [u8; 3] = [150, 190, 90];
const OPAL: [u8; 3] = [60, 180, 70];
const ODD: [u8; 3] = [60, 60, 250];

fn color(rig: &Rig, codes: [u8; 3]) -> [f64; 3] {
    rig.pixel_transform(None, &Default::default())
        .color_of_codes(codes.map(u16::from))
        .unwrap()
}

fn noise(i: usize) -> f64 {
    ((i as f64 * 12.9898).sin() * 43_758.547).fract()
}

fn data(rig: &Rig) -> Dataset {
    let means = [BONE, GROUND, OPAL].map(|codes| color(rig, codes));
    let n = 300;
    Dataset {
        ids: (0..n).map(|i| i.to_string()).collect(),
        feature_names: ["u", "v", "log_luminance"].map(String::from).to_vec(),
        features: Array2::from_shape_fn((n, 3), |(i, j)| {
            means[i % 3][j]
                + [0.012, 0.012, 0.15][j] * noise(3 * i + j) * (1.0 + (i % 3) as f64 / 2.0)
        }),
        covariance: vec![[[0.0; 3]; 3]; n],
        labels: (0..n).map(|i| i % 3).collect(),
        classes: ["bone", "matrix", "opal"].map(String::from).to_vec(),
        positive: vec![true, false, false],
        groups: vec![0; n],
        group_names: vec!["a".into()],
        weights: (0..n).map(|i| if i % 3 == 0 { 1.0 } else { 2.0 }).collect(),
    }
}

fn model(rig: &Rig, method: Method, settings: &Settings, kind: CalibrationKind) -> Model {
    let data = data(rig);
    let weights = training_weights(&data, true);
    let fitted = method.fit(&data, &weights, settings, 1).unwrap();
    let p: Vec<f64> = (0..300)
        .map(|i| (0.5 + 0.4 * noise(i)).clamp(0.0, 1.0))
        .collect();
    let positive: Vec<bool> = p
        .iter()
        .enumerate()
        .map(|(i, p)| *p > 0.5 + 0.3 * noise(i + 7))
        .collect();
    let calibration = ProbabilityCalibration::fit(kind, &p, &positive, &data.weights).unwrap();
    let novelty = Novelty::fit(&data, &weights).unwrap();
    let distances = novelty.squared_distances(&data);
    let novelty = novelty.with_cut(&distances, &data.weights, 0.01).unwrap();
    Model::new(&data, fitted, calibration, novelty).unwrap()
}

fn logistic(rig: &Rig) -> Model {
    let settings = Method::Logistic.grid()[2];
    model(rig, Method::Logistic, &settings, CalibrationKind::None)
}

const CUT: Cut = Cut {
    probability: 0.3,
    min_log_luminance: Some(-2.0),
};

const POSITION: PositionPlan = PositionPlan {
    fov_deg: 90.0,
    gnss_sd_m: 3.0,
    heading_sd_deg: 2.0,
    height_sd_m: 0.3,
};

fn options<'a>() -> ScoreOptions<'a> {
    ScoreOptions {
        min_pixels: 6,
        join_gap: 0,
        position: POSITION,
        rows: None,
        marks: None,
        pictures: None,
        threads: Some(2),
    }
}

/// As [`options`], with pictures of the probability and of the classes.
fn drawn<'a>(probability: &'a Path, classes: &'a Path) -> ScoreOptions<'a> {
    ScoreOptions {
        pictures: Some(Pictures {
            probability,
            classes,
        }),
        ..options()
    }
}

/// A strip of 100 x 90 pixels: ground, a dark stripe, a bone of 8 x 5 at (20, 40), an opal, an odd
/// glow of 4 x 4 at (70, 10), a bone too small to count.
fn forged() -> Vec<u8> {
    let mut codes = Vec::new();
    for y in 0..90 {
        for x in 0..100 {
            let pixel = match (x, y) {
                (20..28, 40..45) => BONE,
                (50..60, 60..66) => OPAL,
                (70..74, 10..14) => ODD,
                (5..7, 80..82) => BONE,
                (_, 85..) => [2, 1, 1],
                _ => GROUND,
            };
            codes.extend(pixel);
        }
    }
    codes
}

const SIZE: (u32, u32) = (100, 90);

fn png8(path: &Path, (width, height): (u32, u32), codes: &[u8]) {
    let mut encoder = png::Encoder::new(std::fs::File::create(path).unwrap(), width, height);
    encoder.set_color(png::ColorType::Rgb);
    encoder.set_depth(png::BitDepth::Eight);
    let mut writer = encoder.write_header().unwrap();
    writer.write_image_data(codes).unwrap();
}

fn tiff8(path: &Path, (width, height): (u32, u32), codes: &[u8], rows: u32, packed: bool) {
    use tiff::encoder::{Compression, DeflateLevel, TiffEncoder, colortype::RGB8};
    let compression = match packed {
        true => Compression::Deflate(DeflateLevel::Balanced),
        false => Compression::Uncompressed,
    };
    let mut encoder = TiffEncoder::new(std::fs::File::create(path).unwrap())
        .unwrap()
        .with_compression(compression);
    let mut image = encoder.new_image::<RGB8>(width, height).unwrap();
    image.rows_per_strip(rows).unwrap();
    image.write_data(codes).unwrap();
}

struct Folder(tempfile::TempDir);

impl Folder {
    fn new() -> Self {
        Folder(tempfile::tempdir().unwrap())
    }

    fn path(&self, name: &str) -> PathBuf {
        self.0.path().join(name)
    }

    fn forged(&self) -> PathBuf {
        let path = self.path("forged.png");
        png8(&path, SIZE, &forged());
        path
    }
}

#[test]
fn a_forged_blob_comes_back_with_its_box_its_class_and_its_place() {
    let folder = Folder::new();
    let path = folder.forged();
    let rig = rig();
    let judge = ModelJudge::at_prevalence(&logistic(&rig), 0.05).unwrap();
    let scorer = Scorer::of_model(&rig, &judge, CUT).unwrap();
    assert!(scorer.is_exact());
    // Flying north at 6 m, 0.1 m a row: at the equator 0.1 m is 0.1 / 110574.3 degrees.
    let rows: String = (0..90)
        .step_by(89)
        .map(|r| format!("{r},{},10,6,0,p{r}\n", f64::from(r) * 0.1 / 110_574.275_8))
        .collect();
    let text = format!("row,latitude,longitude,height_m,heading_deg,photo\n{rows}");
    let table = Table::from_bytes("forged.rows.csv", text.as_bytes()).unwrap();
    let table = RowTable::from_table(&table, 90).unwrap();
    let marks = [
        (21, 41, 6, 3, "bone"),
        (50, 60, 10, 6, "opal"),
        (90, 30, 5, 5, "bone"),
    ]
    .map(|(x, y, width, height, label)| Mark {
        x,
        y,
        width,
        height,
        label: label.into(),
    });
    let given = ScoreOptions {
        rows: Some(&table),
        marks: Some(&marks),
        ..options()
    };
    let result = score(&path, &scorer, &given, &|_| ()).unwrap();
    let boxes: Vec<_> = result
        .candidates
        .iter()
        .map(|c| (c.number, c.x, c.y, c.width, c.height, c.pixels, c.novel))
        .collect();
    assert_eq!(
        boxes,
        [(1, 70, 10, 4, 4, 16, true), (2, 20, 40, 8, 5, 40, false)]
    );
    assert_eq!(result.pixels.too_faint, 500);
    assert_eq!((result.pixels.walk, result.pixels.novel), (44, 16));
    assert_eq!((result.walks, result.novel), (1, 1));
    // Ground, bone, opal, the odd one; the small bone has too few pixels.
    assert_eq!(result.patches, 4);

    let bone = &result.candidates[1];
    assert_eq!(bone.class, "bone");
    assert!(
        (bone.peak - bone.mean).abs() < 1e-6,
        "all its pixels are alike"
    );
    let [u, v, log] = color(&rig, BONE);
    assert!((bone.u - u).abs() < 1e-5 && (bone.v - v).abs() < 1e-5);
    assert!((bone.luminance - 10_f64.powf(log)).abs() < 1e-5);
    let expected = judge.probabilities(&[color(&rig, BONE)])[(0, 0)];
    assert!((bone.mean - expected).abs() < 1e-5);

    // The box's middle is at 24 of 100 pixels and at row 42; 90 degrees from 6 m see 12 m. It lies
    // 12 x (0.24 - 0.5) = 3.12 m to the left, which flying north is west.
    let place = bone.place.unwrap();
    let (east, north) = offset_m((0.0, 10.0), (place.latitude, place.longitude));
    assert!((east + 3.12).abs() < 1e-6, "{east}");
    assert!((north - 4.2).abs() < 1e-5, "{north}");
    // 3 m on each axis, 3.12 m x 2 degrees, 3.12 m x 0.3 / 6.
    let sd = (18.0 + (3.12 * 2_f64.to_radians()).powi(2) + 0.156_f64.powi(2)).sqrt();
    assert!((place.position_sd_m - sd).abs() < 1e-9);
    assert_eq!(bone.nearest_photo.as_deref(), Some("p0"));

    // 90 rows of 12 m, 0.1 m apart.
    let ground = result.ground.unwrap();
    assert!((ground.hectares - 90.0 * 12.0 * 0.1 / 10_000.0).abs() < 1e-8);
    assert!((result.walks_per_hectare.unwrap() - 1.0 / ground.hectares).abs() < 1e-9);

    let check = result.check.unwrap();
    assert_eq!(check.recall, Some(0.5));
    assert_eq!((check.hits, check.false_alarms, check.unmarked), (1, 0, 0));
    assert_eq!(check.labels[1].label, "opal");
    assert_eq!((check.labels[1].marked, check.labels[1].found), (1, 0));
}

#[test]
fn any_number_of_threads_gives_the_same_bytes() {
    let folder = Folder::new();
    let (width, height) = (257_u32, 300_u32);
    let codes: Vec<u8> = (0..3 * (width * height) as usize)
        .map(|i| {
            let (x, y) = (i / 3 % width as usize, i / 3 / width as usize);
            let glow = [BONE, GROUND, OPAL, ODD][(x / 5 + 7 * (y / 3)) % 11 % 4];
            (f64::from(glow[i % 3]) * (1.0 + 0.15 * noise(i))) as u8
        })
        .collect();
    let path = folder.path("noise.png");
    png8(&path, (width, height), &codes);
    let rig = rig();
    let judge = ModelJudge::at_prevalence(&logistic(&rig), 0.2).unwrap();
    for exact in [true, false] {
        let scorer = match exact {
            true => Scorer::of_model(&rig, &judge, CUT).unwrap(),
            false => Scorer::new(&rig, &judge, CUT).unwrap(),
        };
        let mut first = None;
        for threads in [1, 2, 5] {
            let (p, c) = (folder.path("p.png"), folder.path("c.png"));
            let given = ScoreOptions {
                threads: Some(threads),
                min_pixels: 2,
                ..drawn(&p, &c)
            };
            let result = score(&path, &scorer, &given, &|_| ()).unwrap();
            assert!(result.walks > 10, "{}", result.walks);
            let bytes = (std::fs::read(&p).unwrap(), std::fs::read(&c).unwrap());
            let all = (result, bytes);
            match &first {
                None => first = Some(all),
                Some(first) => assert_eq!(*first, all, "{threads} threads"),
            }
        }
    }
}

#[test]
fn pieces_equal_the_whole_in_every_format() {
    let folder = Folder::new();
    let rig = rig();
    let judge = ModelJudge::at_prevalence(&logistic(&rig), 0.05).unwrap();
    let scorer = Scorer::of_model(&rig, &judge, CUT).unwrap();
    let codes = forged();
    let whole = Block {
        index: 0,
        first_row: 0,
        rows: SIZE.1,
        samples: Samples::Eight(codes.clone()),
    };
    let (probability, classes) = score_block(&scorer, &whole, SIZE.0);
    let png = folder.forged();
    let mut paths = vec![png];
    for (rows, packed) in [(1, false), (7, false), (90, false), (7, true), (90, true)] {
        let path = folder.path(&format!("forged-{rows}-{packed}.tiff"));
        tiff8(&path, SIZE, &codes, rows, packed);
        paths.push(path);
    }
    let (p, c) = (folder.path("p.png"), folder.path("c.png"));
    let given = drawn(&p, &c);
    let mut first = None;
    for path in paths {
        let mut result = score(&path, &scorer, &given, &|_| ()).unwrap();
        result.strip.clear();
        let gray = image::open(&p).unwrap().into_luma8().into_raw();
        assert_eq!(gray, probability, "{}", path.display());
        let mut reader =
            png::Decoder::new(std::io::BufReader::new(std::fs::File::open(&c).unwrap()))
                .read_info()
                .unwrap();
        let mut indices = vec![0; reader.output_buffer_size().unwrap()];
        reader.next_frame(&mut indices).unwrap();
        assert_eq!(indices, classes, "{}", path.display());
        match &first {
            None => first = Some(result),
            Some(first) => assert_eq!(*first, result, "{}", path.display()),
        }
    }
}

#[test]
fn sixteen_bits_give_what_eight_give_where_the_light_is_the_same() {
    let folder = Folder::new();
    let rig = rig();
    let mut deep = rig.clone();
    deep.bit_depth = BitDepth::SIXTEEN;
    let judge = ModelJudge::at_prevalence(&logistic(&rig), 0.05).unwrap();
    let eight = folder.forged();
    let sixteen: Vec<u16> = forged().iter().map(|c| u16::from(*c) * 257).collect();
    let path = folder.path("deep.png");
    let mut encoder = png::Encoder::new(std::fs::File::create(&path).unwrap(), SIZE.0, SIZE.1);
    encoder.set_color(png::ColorType::Rgb);
    encoder.set_depth(png::BitDepth::Sixteen);
    let bytes: Vec<u8> = sixteen.iter().flat_map(|c| c.to_be_bytes()).collect();
    encoder
        .write_header()
        .unwrap()
        .write_image_data(&bytes)
        .unwrap();
    let tiff = folder.path("deep.tiff");
    tiff::encoder::TiffEncoder::new(std::fs::File::create(&tiff).unwrap())
        .unwrap()
        .write_image::<tiff::encoder::colortype::RGB16>(SIZE.0, SIZE.1, &sixteen)
        .unwrap();
    let of = |rig: &Rig, path: &Path| {
        let scorer = Scorer::of_model(rig, &judge, CUT).unwrap();
        score(path, &scorer, &options(), &|_| ()).unwrap()
    };
    let (a, b, c) = (of(&rig, &eight), of(&deep, &path), of(&deep, &tiff));
    assert_eq!(a.pixels, b.pixels);
    assert_eq!(b.candidates, c.candidates);
    for (a, b) in a.candidates.iter().zip(&b.candidates) {
        assert_eq!((a.x, a.y, a.pixels), (b.x, b.y, b.pixels));
        assert!((a.mean - b.mean).abs() < 1e-4);
    }
    let scorer = Scorer::of_model(&rig, &judge, CUT).unwrap();
    let error = score(&path, &scorer, &options(), &|_| ())
        .unwrap_err()
        .to_string();
    assert!(
        error.contains("16 bits a channel") && error.contains("rig.bit_depth"),
        "{error}"
    );
}

#[test]
fn a_strip_of_another_exposure_is_as_bright_as_one_of_the_calibrations() {
    let folder = Folder::new();
    let path = folder.forged();
    let mut rig = rig();
    rig.exposure = Exposure {
        exposure_s: Some(0.010),
        gain_db: Some(12.0),
    };
    let judge = ModelJudge::at_prevalence(&logistic(&rig), 0.05).unwrap();
    let bone = |exposure_s: Option<f64>, gain_db: Option<f64>| {
        let exposure = Exposure {
            exposure_s,
            gain_db,
        };
        let scorer = Scorer::of_model(&rig, &judge, CUT).unwrap();
        let scorer = scorer.exposed(&rig, exposure);
        let found = score(&path, &scorer, &options(), &|_| ()).unwrap();
        let bone = found.candidates.iter().find(|c| !c.novel);
        bone.unwrap().clone()
    };
    let (alike, longer, louder) = (
        bone(None, None),
        bone(Some(0.0125), Some(12.0)),
        bone(None, Some(14.0)),
    );
    assert!((longer.luminance * 1.25 / alike.luminance - 1.0).abs() < 1e-5);
    assert!((louder.luminance * 10_f64.powf(0.1) / alike.luminance - 1.0).abs() < 1e-5);
    assert!((longer.u - alike.u).abs() < 1e-5 && (longer.v - alike.v).abs() < 1e-5);
    let said = &doubtful_exposure(&rig, Exposure::default())[0];
    assert!(
        said.contains("exposure_s = 0.01 and gain_db = 12"),
        "{said}"
    );
    assert!(doubtful_exposure(&rig, rig.exposure).is_empty());
    let milliseconds = Exposure {
        exposure_s: Some(10.0),
        ..rig.exposure
    };
    let said = doubtful_exposure(&rig, milliseconds).join(" ");
    assert!(
        said.contains("in [strips] of season.toml (largest 10). Is it in milliseconds?"),
        "{said}"
    );
    assert!(
        said.contains("1000.000 times that of the calibration in [strips]"),
        "{said}"
    );
}

#[test]
fn heights_in_centimeters_and_rows_without_a_place_are_told_of() {
    let table = |text: &str| {
        let head = "row,latitude,longitude,height_m,heading_deg\n";
        let table = Table::from_bytes("a.rows.csv", format!("{head}{text}").as_bytes()).unwrap();
        RowTable::from_table(&table, 90).unwrap()
    };
    let whole = table("0,10,20,6,0\n89,10.001,20,6,0\n");
    assert_eq!(whole.oddities(), Vec::<String>::new());
    let high = table("0,10,20,600,0\n89,10.001,20,650,0\n").oddities();
    assert_eq!(high.len(), 1);
    assert!(
        high[0].contains("above 200 m in row 0, row 89 (largest 650)")
            && high[0].contains("centimeters?"),
        "{high:?}"
    );
    // Positions go on for one step beyond the last one given: to row 40.
    let short = table("0,10,20,6,0\n20,10.001,20,6,0\n").oddities();
    assert_eq!(short.len(), 1);
    assert!(
        short[0].starts_with("50 of 90 rows have no place"),
        "{short:?}"
    );
    let judged = table("0,10,20,,0\n89,10.001,20,,0\n").oddities();
    assert!(judged[0].starts_with("90 of 90 rows"), "{judged:?}");
}

#[test]
fn a_picture_that_is_cut_short_is_refused_and_nothing_is_written() {
    let folder = Folder::new();
    let rig = rig();
    let judge = ModelJudge::at_prevalence(&logistic(&rig), 0.05).unwrap();
    let scorer = Scorer::of_model(&rig, &judge, CUT).unwrap();
    let noisy: Vec<u8> = (0..27_000)
        .map(|i| (128.0 + 120.0 * noise(i)) as u8)
        .collect();
    let whole = folder.path("whole.png");
    png8(&whole, SIZE, &noisy);
    let plain = folder.path("plain.tiff");
    tiff8(&plain, SIZE, &noisy, 7, false);
    let packed = folder.path("packed.tiff");
    tiff8(&packed, SIZE, &noisy, 7, true);
    let (p, c) = (folder.path("p.png"), folder.path("c.png"));
    let given = drawn(&p, &c);
    let png = std::fs::read(&whole).unwrap();
    let short = folder.path("short.png");
    std::fs::write(&short, &png[..png.len() * 2 / 3]).unwrap();
    let refusal = |path: &Path| {
        score(path, &scorer, &given, &|_| ())
            .unwrap_err()
            .to_string()
    };
    let error = refusal(&short);
    assert!(
        error.contains("short.png: the picture is cut short: row "),
        "{error}"
    );
    for path in [plain, packed] {
        // The directory stands at the end: rather than that, move rows beyond the end.
        let bytes = std::fs::read(&path).unwrap();
        std::fs::write(&path, &bytes[..bytes.len() / 2]).unwrap();
        let error = refusal(&path);
        assert!(
            error.contains("cut short") || error.contains("cannot be read"),
            "{error}"
        );
    }
    std::fs::write(folder.path("head.png"), &png[..20]).unwrap();
    assert!(refusal(&folder.path("head.png")).contains("within its head"));
    std::fs::write(folder.path("none.png"), b"").unwrap();
    assert!(refusal(&folder.path("none.png")).contains("the file is empty"));
    std::fs::write(folder.path("words.png"), b"not a picture").unwrap();
    assert!(refusal(&folder.path("words.png")).contains("neither a PNG nor a TIFF"));
    assert!(refusal(&folder.path("absent.png")).contains("no such file"));
    assert!(!p.exists() && !c.exists());
    let parts = std::fs::read_dir(folder.0.path()).unwrap();
    let left = parts.filter(|f| {
        f.as_ref()
            .unwrap()
            .file_name()
            .to_string_lossy()
            .ends_with(".part")
    });
    assert_eq!(left.count(), 0);
}

#[test]
fn alpha_and_palettes_are_read_and_gray_and_interlaced_pictures_refused() {
    let folder = Folder::new();
    let write = |name: &str, color: png::ColorType, codes: &[u8]| {
        let path = folder.path(name);
        let mut encoder = png::Encoder::new(std::fs::File::create(&path).unwrap(), 2, 1);
        encoder.set_color(color);
        if color == png::ColorType::Indexed {
            encoder.set_palette(vec![9, 8, 7, 6, 5, 4]);
        }
        encoder
            .write_header()
            .unwrap()
            .write_image_data(codes)
            .unwrap();
        path
    };
    let first = |path: &Path| {
        let block = StripPicture::open(path)
            .unwrap()
            .next_block()
            .unwrap()
            .unwrap();
        block.samples
    };
    let alpha = write(
        "alpha.png",
        png::ColorType::Rgba,
        &[1, 2, 3, 0, 4, 5, 6, 255],
    );
    assert_eq!(first(&alpha), Samples::Eight(vec![1, 2, 3, 4, 5, 6]));
    let palette = write("palette.png", png::ColorType::Indexed, &[1, 0]);
    assert_eq!(first(&palette), Samples::Eight(vec![6, 5, 4, 9, 8, 7]));
    let gray = write("gray.png", png::ColorType::Grayscale, &[1, 2]);
    let error = StripPicture::open(&gray).err().unwrap().to_string();
    assert!(error.contains("gray.png: the picture is gray"), "{error}");
    // The interlace method is the last byte of the head; its checksum follows.
    let mut bytes = std::fs::read(&alpha).unwrap();
    bytes[28] = 1;
    let crc = crc32(&bytes[12..29]);
    bytes[29..33].copy_from_slice(&crc.to_be_bytes());
    std::fs::write(folder.path("laced.png"), bytes).unwrap();
    let error = StripPicture::open(&folder.path("laced.png")).err().unwrap();
    assert!(error.to_string().contains("interlaced"), "{error}");
}

/// The checksum of PNG (ISO 3309).
fn crc32(bytes: &[u8]) -> u32 {
    !bytes.iter().fold(!0, |crc, byte| {
        (0..8).fold(crc ^ u32::from(*byte), |crc, _| {
            (crc >> 1) ^ (0xedb8_8320 & 0_u32.wrapping_sub(crc & 1))
        })
    })
}

#[test]
fn polynomials_give_the_models_own_probabilities() {
    let rig = rig();
    let pixels: Vec<u8> = (0..9000)
        .map(|i| (128.0 + 126.0 * noise(i)) as u8)
        .collect();
    let block = Block {
        index: 0,
        first_row: 0,
        rows: 1,
        samples: Samples::Eight(pixels.clone()),
    };
    let mut settings: Vec<Settings> = vec![Settings::Brightness, Settings::NearestMean];
    settings.extend(Method::Logistic.grid().into_iter().skip(2).step_by(5));
    settings.extend(Method::Discriminant.grid().into_iter().step_by(5));
    for settings in settings {
        for kind in CalibrationKind::ALL {
            let model = model(&rig, settings.method(), &settings, kind);
            let judge = ModelJudge::at_prevalence(&model, 0.03).unwrap();
            let scorer = Scorer::of_model(&rig, &judge, CUT).unwrap();
            assert!(scorer.is_exact(), "{settings}, {kind}");
            let (probability, classes) = score_block(&scorer, &block, 3000);
            for (i, pixel) in pixels.chunks_exact(3).enumerate() {
                if classes[i] == 0 {
                    continue;
                }
                let color = color(&rig, [pixel[0], pixel[1], pixel[2]]);
                let row = judge.probabilities(&[color]);
                let expected = row[(0, 0)] * 255.0;
                let off = (f64::from(probability[i]) - expected).abs();
                assert!(off < 0.51, "{settings}, {kind}: {pixel:?} off by {off}");
                if judge.novel(&[color])[0] {
                    continue;
                }
                let best = row.iter().copied().fold(0.0, f64::max);
                let chosen = row[(0, usize::from(classes[i]) - 2)];
                assert!(chosen > best - 1e-4, "{settings}, {kind}: {pixel:?}");
            }
        }
    }
}

#[test]
fn asking_once_a_cell_comes_near_asking_for_every_pixel() {
    let rig = rig();
    let judge = ModelJudge::at_prevalence(&logistic(&rig), 0.05).unwrap();
    let pixels: Vec<u8> = (0..30_000)
        .map(|i| (128.0 + 126.0 * noise(i)) as u8)
        .collect();
    let block = Block {
        index: 0,
        first_row: 0,
        rows: 1,
        samples: Samples::Eight(pixels),
    };
    let exact = score_block(
        &Scorer::of_model(&rig, &judge, CUT).unwrap(),
        &block,
        10_000,
    )
    .0;
    let cells = score_block(&Scorer::new(&rig, &judge, CUT).unwrap(), &block, 10_000).0;
    let mut off: Vec<u8> = exact
        .iter()
        .zip(&cells)
        .map(|(a, b)| a.abs_diff(*b))
        .collect();
    off.sort_unstable();
    // A cell is 0.0005 wide in u'v', a glow class of this test about 0.01.
    assert!(
        off[9_500] <= 4 && off[9_999] <= 12,
        "{} {}",
        off[9_500],
        off[9_999]
    );
}

#[test]
fn a_row_table_of_another_strip_is_refused_with_its_line() {
    let refusal = |text: &str| {
        let table = Table::from_bytes("a.rows.csv", text.as_bytes()).unwrap();
        RowTable::from_table(&table, 90).unwrap_err().to_string()
    };
    let error = refusal("row,height_m\n0,6\n90,6\n");
    assert!(
        error.contains("a.rows.csv, line 3, column \"row\": found 90"),
        "{error}"
    );
    assert!(error.contains("0 to 89"), "{error}");
    assert!(refusal("row,height_m\n5,6\n5,6\n").contains("expected ascending rows"));
    assert!(refusal("row,latitude\n5,6\n").contains("\"longitude\" is missing"));
    assert!(refusal("row,latitude,longitude\n5,96,0\n").contains("-90 to 90"));
    assert!(refusal("row,height_m\n5,0\n").contains("a height above 0 m"));
    assert!(refusal("row,time_s\n5,3\n6,2\n").contains("expected time to go on"));
    assert!(refusal("row\n").contains("no rows"));
}

#[test]
fn between_the_given_rows_everything_is_interpolated_the_short_way_round() {
    let text =
        "row,latitude,longitude,height_m,heading_deg\n10,0,179.9,5,350\n30,,,,\n50,1,-179.9,7,20\n";
    let table = Table::from_bytes("a.rows.csv", text.as_bytes()).unwrap();
    let table = RowTable::from_table(&table, 200).unwrap();
    let pose = table.pose(30.0).unwrap();
    assert_eq!((pose.latitude, pose.height_m), (0.5, 6.0));
    assert!((pose.longitude - 180.0).abs() < 1e-9);
    assert!((pose.heading_deg - 5.0).abs() < 1e-9);
    let place = POSITION.place(&pose, 0.5);
    assert!(
        (place.longitude + 180.0).abs() < 1e-9,
        "{}",
        place.longitude
    );
    // Beyond the end for as long as the last step, then no place; the height is held.
    assert!(table.pose(90.0).is_some() && table.pose(91.0).is_none());
    assert_eq!(table.height_m(199.0), Some(7.0));
}

#[test]
fn marks_outside_the_strip_are_refused_with_their_line() {
    let refusal = |text: &str| {
        let table = Table::from_bytes("a.marks.csv", text.as_bytes()).unwrap();
        Mark::from_table(&table, 100, 90).unwrap_err().to_string()
    };
    let head = "x,y,width,height,label\n";
    let error = refusal(&format!("{head}0,0,1,1,bone\n95,0,6,1,bone\n"));
    assert!(
        error.contains("line 3") && error.contains("100 pixels wide"),
        "{error}"
    );
    assert!(refusal(&format!("{head}0,85,1,6,bone\n")).contains("has 90 rows"));
    assert!(refusal(&format!("{head}0,0,0,1,bone\n")).contains("found 0"));
    assert!(refusal(&format!("{head}0,0,1,1,\n")).contains("empty"));
    assert!(refusal("x,y,width,label\n").contains("\"height\" is missing"));
}
