//! A ledger with something wrong in it.

use crate::support::TrialSeason;

const CHECKS: &str = "ledger/checks.csv";

#[test]
fn a_missing_column_is_named_with_the_nearest_there_is() {
    let season = TrialSeason::small();
    season.replace(CHECKS, "patch_id,site", "patch,site");
    season.refuses(
        &["evaluate"],
        &[
            "ledger/checks.csv",
            "line 1",
            "\"patch_id\" is missing",
            "rename \"patch\"",
        ],
    );
}

#[test]
fn a_patch_id_that_stands_twice_is_refused() {
    let season = TrialSeason::small();
    season.replace(CHECKS, "bone-0-1,", "bone-0-0,");
    season.refuses(
        &["evaluate"],
        &[
            "checks.csv, line 3",
            "\"bone-0-0\" already stands in",
            "line 2",
        ],
    );
}

#[test]
fn a_table_in_another_encoding_is_refused_as_such() {
    let season = TrialSeason::small();
    let mut bytes = season.read(CHECKS).into_bytes();
    let place = bytes.iter().position(|b| *b == b'\n').unwrap() + 1;
    bytes[place] = 0xe9;
    std::fs::write(season.path(CHECKS), bytes).unwrap();
    season.refuses(
        &["evaluate"],
        &["checks.csv, line 2", "not UTF-8", "save the table"],
    );
}

#[test]
fn an_inclusion_probability_of_hardly_anything_is_refused_where_it_stands() {
    let season = TrialSeason::small();
    season.edit(CHECKS, |text| {
        let cells = text.lines().enumerate().map(|(i, line)| match i {
            0 => format!("{line},inclusion_probability\n"),
            3 => format!("{line},1e-300\n"),
            _ => format!("{line},0.5\n"),
        });
        cells.collect()
    });
    season.refuses(
        &["evaluate"],
        &[
            "checks.csv, line 4",
            "inclusion_probability",
            "1e-300",
            "1e-6",
        ],
    );
}

#[test]
fn a_table_that_is_not_there_is_refused_with_where_it_is_looked_for() {
    let season = TrialSeason::small();
    season.refuses(
        &["classify", "nowhere.csv"],
        &["nowhere.csv", "no such file", "from where you are"],
    );
}

#[test]
fn text_in_a_number_column_is_refused() {
    let season = TrialSeason::small();
    season.replace(CHECKS, ",3.0,3.0,3.0,400", ",dim,3.0,3.0,400");
    season.refuses(
        &["evaluate"],
        &["checks.csv, line 2", "column \"r_sd\"", "\"dim\"", "number"],
    );
}

#[test]
fn nan_in_a_number_column_is_refused() {
    let season = TrialSeason::small();
    season.replace(CHECKS, ",3.0,3.0,3.0,400", ",NaN,3.0,3.0,400");
    season.refuses(
        &["evaluate"],
        &["checks.csv, line 2", "column \"r_sd\"", "finite number"],
    );
}

#[test]
fn a_row_with_a_cell_too_few_is_refused() {
    let season = TrialSeason::small();
    season.replace(CHECKS, ",3.0,3.0,3.0,400", ",3.0,3.0,3.0");
    season.refuses(
        &["evaluate"],
        &["checks.csv, line 2", "found 10 cells, expected 11"],
    );
}

#[test]
fn an_inclusion_probability_above_one_is_refused() {
    let season = TrialSeason::small();
    add_column(&season, "inclusion_probability", |line| {
        if line == 5 { "1.5".into() } else { "1".into() }
    });
    season.refuses(
        &["evaluate"],
        &["line 5", "column \"inclusion_probability\"", "found 1.5"],
    );
}

#[test]
fn an_inclusion_probability_of_zero_is_refused() {
    let season = TrialSeason::small();
    add_column(&season, "inclusion_probability", |line| {
        if line == 5 { "0".into() } else { "1".into() }
    });
    season.refuses(
        &["evaluate"],
        &["line 5", "column \"inclusion_probability\"", "found 0"],
    );
}

#[test]
fn an_unknown_selection_names_the_nearest_known_one() {
    let season = TrialSeason::small();
    add_column(&season, "selection", |_| "flaged".into());
    season.refuses(
        &["evaluate"],
        &["line 2", "column \"selection\"", "did you mean \"flagged\""],
    );
}

#[test]
fn a_code_value_above_the_bit_depth_is_refused() {
    let season = TrialSeason::small();
    season.edit(CHECKS, |text| {
        let line = text.lines().nth(1).unwrap();
        let red = line.split(',').nth(4).unwrap();
        text.replacen(&format!(",{red},"), ",256.5,", 1)
    });
    season.refuses(
        &["evaluate"],
        &["checks.csv, line 2", "column \"r\"", "256.5"],
    );
}

#[test]
fn a_patch_without_code_values_or_picture_is_refused() {
    let season = TrialSeason::small();
    season.write(
        "ledger/more.csv",
        "patch_id,site,night,label\nx1,site-0,n1,bone\n",
    );
    season.refuses(&["evaluate"], &["more.csv", "image"]);
}

#[test]
fn a_picture_that_is_not_there_is_refused() {
    let season = TrialSeason::small();
    with_picture(&season, "gone.png", "0,0,4,4");
    season.refuses(&["evaluate"], &["more.csv, line 2", "gone.png"]);
}

#[test]
fn a_picture_that_is_cut_short_is_refused() {
    let season = TrialSeason::small();
    let whole = season.path("whole.png");
    image::RgbImage::from_fn(64, 64, |x, y| image::Rgb([x as u8, y as u8, (x * y) as u8]))
        .save(&whole)
        .unwrap();
    let bytes = std::fs::read(&whole).unwrap();
    std::fs::write(season.path("short.png"), &bytes[..bytes.len() / 2]).unwrap();
    with_picture(&season, "short.png", "0,0,4,4");
    season.refuses(
        &["evaluate"],
        &["short.png", "cut short", "copy the file again"],
    );
}

#[test]
fn a_box_outside_its_picture_is_refused() {
    let season = TrialSeason::small();
    image::RgbImage::new(32, 16)
        .save(season.path("small.png"))
        .unwrap();
    with_picture(&season, "small.png", "30,0,4,4");
    season.refuses(&["evaluate"], &["more.csv, line 2", "30", "32"]);
}

fn with_picture(season: &TrialSeason, image: &str, region: &str) {
    season.write(
        "ledger/more.csv",
        &format!(
            "patch_id,site,night,label,image,x,y,width,height\nx1,site-0,n1,bone,{image},{region}\n"
        ),
    );
}

/// Adds a column; `cell` is given the line number, counted from 1 with the header.
fn add_column(season: &TrialSeason, name: &str, cell: impl Fn(usize) -> String) {
    season.edit(CHECKS, |text| {
        let lines: Vec<String> = text
            .lines()
            .enumerate()
            .map(|(i, line)| match i {
                0 => format!("{line},{name}"),
                _ => format!("{line},{}", cell(i + 1)),
            })
            .collect();
        lines.join("\n") + "\n"
    });
}

#[test]
fn a_label_in_other_capitals_is_refused() {
    let season = TrialSeason::small();
    season.replace(CHECKS, ",bone,", ",Bone,");
    season.refuses(
        &["evaluate"],
        &["checks.csv", "\"bone\"", "\"Bone\"", "in one way"],
    );
}

#[test]
fn a_site_in_other_capitals_is_refused_since_it_would_be_two() {
    let season = TrialSeason::small();
    season.replace(CHECKS, ",site-3,", ",Site-3,");
    season.refuses(&["evaluate"], &["checks.csv", "\"site-3\"", "in one way"]);
}

#[test]
fn a_misspelt_optional_column_is_a_stated_warning() {
    let season = TrialSeason::small();
    add_column(&season, "inclusion_prob", |_| "0.5".to_string());
    season.succeeds(&["evaluate"]);
    let found = season.read("results/evaluation.json");
    assert!(
        found.contains("which is not read; is it \\\"inclusion_probability\\\"?"),
        "{found}"
    );
}

#[test]
fn a_site_that_is_one_letter_from_another_is_a_stated_warning() {
    let season = TrialSeason::small();
    season.edit(CHECKS, |text| {
        let named = text.replace(",site-3,", ",Gully A,");
        named.replacen(",Gully A,", ",Guly A,", 4)
    });
    season.succeeds(&["evaluate"]);
    let found = season.read("results/evaluation.json");
    assert!(found.contains("differ in one letter"), "{found}");
    let season = TrialSeason::small();
    season.succeeds(&["evaluate"]);
    let found = season.read("results/evaluation.json");
    assert!(!found.contains("differ in one letter"), "{found}");
}

#[test]
fn a_misspelt_label_column_is_named() {
    let season = TrialSeason::small();
    season.replace(CHECKS, "label", "lable");
    season.refuses(
        &["evaluate"],
        &["no patch of the ledger has a label", "\"lable\""],
    );
}

#[test]
fn semicolons_between_columns_are_named() {
    let season = TrialSeason::small();
    season.edit(CHECKS, |text| text.replace(',', ";"));
    season.refuses(
        &["evaluate"],
        &["checks.csv", "separated by semicolons", "commas"],
    );
}

#[test]
fn lines_are_counted_where_they_end_in_carriage_returns_too() {
    let season = TrialSeason::small();
    season.edit(CHECKS, |text| {
        text.replace('\n', "\r\n")
            .replacen("400\r\n", "many\r\n", 1)
    });
    season.refuses(&["evaluate"], &["checks.csv", "line 2", "many"]);
}

#[test]
fn a_table_is_not_written_over_itself() {
    let season = TrialSeason::small();
    let before = season.read(CHECKS);
    season.refuses(
        &["measure", CHECKS, "-o", CHECKS],
        &["the table that was read"],
    );
    assert_eq!(season.read(CHECKS), before);
}

/// The demo's ledger of spring with its cells changed, measured; what is said of it.
fn measured(change: impl Fn(&str, &str) -> String) -> String {
    let season = TrialSeason::demo();
    season.succeeds(&["calibrate"]);
    let text = season.read("ledger/spring.csv");
    let header: Vec<&str> = text.lines().next().unwrap().split(',').collect();
    let lines = text.lines().enumerate().map(|(i, line)| {
        let cells = line.split(',').zip(&header);
        let one = |(cell, column): (&str, &&str)| match i == 0 || cell.is_empty() {
            true => cell.to_string(),
            false => change(column, cell),
        };
        cells.map(one).collect::<Vec<_>>().join(",") + "\n"
    });
    let text: String = lines.collect();
    season.write("new.csv", &text);
    let output = season.command(&["measure", "new.csv"]).output().unwrap();
    String::from_utf8_lossy(&output.stderr).to_string()
}

fn times(cell: &str, factor: f64) -> String {
    (factor * cell.parse::<f64>().unwrap()).to_string()
}

#[test]
fn a_ledger_as_it_should_be_is_measured_without_a_word_of_doubt() {
    let told = measured(|_, cell| cell.to_string());
    for doubt in [
        "centimeters",
        "milliseconds",
        "seconds?",
        "no light has",
        "clipped",
    ] {
        assert!(!told.contains(doubt), "{told}");
    }
}

#[test]
fn heights_in_centimeters_and_exposures_in_milliseconds_are_asked_about() {
    let told = measured(|column, cell| match column {
        "height_m" => times(cell, 100.0),
        _ => cell.to_string(),
    });
    assert!(told.contains("height_m is above 200 m in AF-005"), "{told}");
    assert!(
        told.contains("centimeters?") && !told.contains("fly lower"),
        "{told}"
    );
    let told = measured(|column, cell| match column {
        "exposure_s" => times(cell, 1000.0),
        _ => cell.to_string(),
    });
    assert!(told.contains("exposure_s is above 1 s in AF-005"), "{told}");
    assert!(
        told.contains("exposure_s is 1000.000 times that of the calibration"),
        "{told}"
    );
}

#[test]
fn code_values_of_another_scale_are_refused() {
    let codes = ["r", "g", "b", "r_sd", "g_sd", "b_sd"];
    let told = measured(|column, cell| match codes.contains(&column) {
        true => times(cell, 1.0 / 255.0),
        false => cell.to_string(),
    });
    assert!(
        told.contains("new.csv") && told.contains("look like values from 0 to 1"),
        "{told}"
    );
    let told = measured(|column, cell| match codes.contains(&column) {
        true => times(cell, 4.0),
        false => cell.to_string(),
    });
    assert!(
        told.contains("expected 0 to 255 code value") && told.contains("rig.bit_depth"),
        "{told}"
    );
}

#[test]
fn clipped_patches_are_named_when_they_are_measured() {
    let told = measured(|column, cell| match column {
        "r" => "254.9".to_string(),
        _ => cell.to_string(),
    });
    assert!(told.contains("pixels clipped (AF-005, "), "{told}");
}

#[test]
fn red_and_blue_exchanged_are_asked_about() {
    let season = TrialSeason::demo();
    season.succeeds(&["calibrate"]);
    let text = season.read("ledger/spring.csv");
    season.write(
        "new.csv",
        &text.replacen(",r,g,b,r_sd,g_sd,b_sd,", ",b,g,r,b_sd,g_sd,r_sd,", 1),
    );
    let output = season.command(&["measure", "new.csv"]).output().unwrap();
    let told = String::from_utf8_lossy(&output.stderr).to_string();
    assert!(told.contains("a color that no light has"), "{told}");
    assert!(
        told.contains("with red and blue exchanged they would be possible"),
        "{told}"
    );
}

/// The whole ledger exchanged is refused; a third of it is told of; nothing is known without a calibration.
#[test]
fn a_ledger_of_colors_that_no_light_has_is_refused() {
    let exchange = |season: &TrialSeason, name: &str| {
        season.replace(name, ",r,g,b,r_sd,g_sd,b_sd,", ",b,g,r,b_sd,g_sd,r_sd,");
    };
    let season = TrialSeason::demo();
    season.replace(
        "season.toml",
        "[classify]\n",
        "[classify]\nclassifiers = [\"discriminant\"]\nreplicates = 100\n",
    );
    season.succeeds(&["calibrate"]);
    exchange(&season, "ledger/spring.csv");
    let output = season.command(&["evaluate"]).output().unwrap();
    let told = String::from_utf8_lossy(&output.stderr).to_string();
    assert_eq!(output.status.code(), Some(0), "{told}");
    assert!(told.contains("a color that no light has"), "{told}");
    exchange(&season, "ledger/summer.csv");
    exchange(&season, "ledger/autumn.csv");
    for step in ["evaluate", "train"] {
        season.refuses(
            &[step],
            &[
                "season.toml, key ledger.files",
                "of 832 patches have a color that no light has",
                "check the order of the columns r, g, b and the camera's order of channels",
            ],
        );
    }
    let uncalibrated = TrialSeason::small();
    exchange(&uncalibrated, CHECKS);
    uncalibrated.succeeds(&["evaluate"]);
}

/// A season all of whose patches are as dark as a slip of unit makes them is not told to fly lower.
#[test]
fn a_slip_of_unit_is_the_remedy_where_it_is_the_reason() {
    let season = TrialSeason::demo();
    season.succeeds(&["calibrate"]);
    for name in ["spring", "summer", "autumn"] {
        let file = format!("ledger/{name}.csv");
        season.edit(&file, |text| text.replace(",0.008,", ",8000,"));
    }
    season.refuses(
        &["evaluate"],
        &["exposure_s is above 1 s in", "milliseconds?"],
    );
}

#[test]
fn a_spreadsheet_under_the_name_of_a_table_is_called_one() {
    let season = TrialSeason::small();
    for (start, said) in [
        (&b"PK\x03\x04\x14\0\x06\0"[..], "starts with \"PK\""),
        (&b"\xd0\xcf\x11\xe0\xa1\xb1"[..], "of an old kind"),
        (&b"\xff\xfep\0a\0"[..], "UTF-16"),
    ] {
        std::fs::write(season.path(CHECKS), start).unwrap();
        season.refuses(
            &["evaluate"],
            &["ledger/checks.csv", said, "save it as CSV in UTF-8"],
        );
    }
}

#[test]
fn rows_of_empty_cells_are_passed_over_as_empty_lines_are() {
    let season = TrialSeason::small();
    season.succeeds(&["evaluate"]);
    let patches = |season: &TrialSeason| {
        let text = season.read("results/evaluation.json");
        let found: serde_json::Value = serde_json::from_str(&text).unwrap();
        found["protocol"]["patches"].clone()
    };
    let before = patches(&season);
    season.edit(CHECKS, |text| {
        let empty = ",".repeat(text.lines().next().unwrap().matches(',').count());
        format!("{text}{empty}\n{empty}\n")
    });
    season.succeeds(&["evaluate"]);
    assert_eq!(patches(&season), before);
}

#[test]
fn a_channel_under_another_name_is_pointed_at() {
    for (header, said) in [
        (
            ",Red,Green,Blue,",
            "there is a column \"Red\": rename it \"r\"",
        ),
        (",r,G,b,", "there is a column \"G\": rename it \"g\""),
    ] {
        let season = TrialSeason::small();
        season.replace(CHECKS, ",r,g,b,", header);
        season.refuses(&["evaluate"], &["checks.csv, line 2", said]);
    }
}

#[test]
fn a_ledger_whose_groups_are_all_locked_is_refused_as_that() {
    let season = TrialSeason::small();
    let all: Vec<String> = (0..8).map(|i| format!("\"site-{i}\"")).collect();
    season.replace(
        "season.toml",
        "positive =",
        &format!("locked = [{}]\npositive =", all.join(", ")),
    );
    season.refuses(
        &["evaluate"],
        &[
            "season.toml",
            "ledger.locked",
            "every site with a checked patch is locked",
        ],
    );
}

#[test]
fn a_night_to_be_left_out_that_the_ledger_does_not_know_is_refused() {
    let season = TrialSeason::small();
    season.replace(
        "season.toml",
        "positive =",
        "leave_out_nights = [\"n7\"]\npositive =",
    );
    season.refuses(
        &["evaluate"],
        &[
            "ledger.leave_out_nights",
            "no patch of the night \"n7\"",
            "the nights found are n1",
        ],
    );
}

#[test]
fn a_label_that_is_one_letter_from_another_is_told_with_its_file_and_line() {
    let season = TrialSeason::small();
    season.edit(CHECKS, |text| text.replacen(",bone,", ",bnoe,", 1));
    season.succeeds(&["evaluate"]);
    let found = season.read("results/evaluation.json");
    assert!(
        found.contains("\\\"bnoe\\\" stands in ledger/checks.csv, line 2."),
        "{found}"
    );
    // Many rows of one name are not all listed.
    season.edit(CHECKS, |text| {
        let lines = text.lines().enumerate();
        let changed = lines.map(|(i, line)| match i {
            1..=20 => line.replace(",calcite,", ",calcit,") + "\n",
            _ => line.to_string() + "\n",
        });
        changed.collect()
    });
    season.succeeds(&["evaluate"]);
    let found = season.read("results/evaluation.json");
    assert!(
        found.contains(
            "line 10; ledger/checks.csv, line 11; ledger/checks.csv, line 12 and 5 rows more."
        ),
        "{found}"
    );
}
