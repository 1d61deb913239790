use crate::support::TrialSeason;

const WIDTH: usize = 64;
const HEIGHT: usize = 40;

/// Frames of a glowing line at row 18, brighter where the ground below glows; frame 2 is dark.
fn with_frames() -> TrialSeason {
    let season = TrialSeason::small();
    let mut table = String::from("image,time_s,height_m,note\n");
    for number in 0..6 {
        let name = format!("frames/{number}.png");
        let path = season.path(&name);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        let mut pixels = Vec::new();
        for y in 0..HEIGHT {
            for x in 0..WIDTH {
                let lit = (17..20).contains(&y) && number != 2;
                let glow = if (20..30).contains(&x) { 180 } else { 60 };
                pixels.extend(match lit {
                    true => [glow, glow / 2, 20 + number as u8],
                    false => [2 + (x * y % 3) as u8, 3, 1],
                });
            }
        }
        image::save_buffer(
            &path,
            &pixels,
            WIDTH as u32,
            HEIGHT as u32,
            image::ColorType::Rgb8,
        )
        .unwrap();
        table += &format!("{name},{number}.5,6.0,\n");
    }
    season.write("frames.csv", &table);
    season
}

#[test]
fn frames_become_a_strip_with_its_row_table() {
    let season = with_frames();
    let output = season
        .command(&["stack", "frames.csv", "-o", "strips/one.png", "--band", "3"])
        .output()
        .unwrap();
    let errors = String::from_utf8_lossy(&output.stderr).to_string();
    assert_eq!(output.status.code(), Some(0), "{errors}");
    assert!(
        errors.contains("does not stand out in 1 of 6 frames"),
        "{errors}"
    );
    let strip = image::open(season.path("strips/one.png"))
        .unwrap()
        .into_rgb8();
    assert_eq!(strip.dimensions(), (WIDTH as u32, 6));
    assert_eq!(strip.get_pixel(25, 0).0, [180, 90, 20]);
    assert_eq!(strip.get_pixel(5, 5).0, [60, 30, 25]);
    assert!(
        strip.get_pixel(25, 2).0[0] < 5,
        "the dark frame keeps its place"
    );
    assert_eq!(
        season.read("strips/one.rows.csv").lines().nth(3).unwrap(),
        "2,2.5,6.0,"
    );
}

#[test]
fn what_cannot_be_stacked_is_refused() {
    let season = with_frames();
    let refuses = |more: &[&str], said: &[&str]| {
        let mut arguments = vec!["stack", "frames.csv", "-o", "strips/one.png"];
        arguments.extend(more);
        season.refuses(&arguments, said);
        assert!(!season.path("strips/one.png").exists());
    };
    refuses(&["--band", "4"], &["an odd number"]);
    refuses(&["--line", "0"], &["do not fit into a frame of 40 rows"]);
    season.replace("frames.csv", "frames/4.png", "frames/44.png");
    refuses(&[], &["frames.csv", "line 6", "44.png"]);
    season.write("frames.csv", "picture\nframes/0.png\n");
    refuses(&[], &["image"]);
    season.write("strips/two.png", "kept");
    season.write("frames.csv", "image\nframes/0.png\n");
    season.refuses(
        &["stack", "frames.csv", "-o", "strips/two.png"],
        &["two.png", "there already"],
    );
}
