//! How many more checks until recall is known well enough.

use crate::Result;
use crate::report::drawing::*;

/// Expected width of the recall interval against the number of checks.
#[derive(Debug, Clone, PartialEq)]
pub struct Forecast {
    /// What is done further, a plural noun: ground checks, audits.
    pub checks: &'static str,
    /// One entry a number of sites: its name, and (further checks, width of the interval).
    pub series: Vec<(String, Vec<[f64; 2]>)>,
    /// Width of the interval today.
    pub today: Option<f64>,
    /// The width that is asked for.
    pub wanted: Option<f64>,
    /// Confidence of the interval.
    pub confidence: f64,
}

/// Draws the forecast.
pub fn forecast(data: &Forecast) -> Result<Figure> {
    let reached: Vec<String> = data
        .series
        .iter()
        .filter_map(|(name, points)| {
            let wanted = data.wanted?;
            let checks = points.iter().find(|p| p[1] <= wanted)?[0];
            Some(format!("{name}: {checks:.0} checks"))
        })
        .collect();
    let told = match (data.wanted, reached.is_empty()) {
        (Some(wanted), false) => format!(
            " A width of {wanted:.2} is expected with {}.",
            reached.join("; ")
        ),
        (Some(wanted), true) => {
            format!(" A width of {wanted:.2} is not reached by the checks that were forecast.")
        }
        (None, _) => String::new(),
    };
    let entries = data
        .series
        .iter()
        .enumerate()
        .map(|(i, (name, _))| {
            let ink = series_ink(i);
            (Key::Both(Stroke::new(ink.color, 1.8), ink), name.clone())
        })
        .collect();
    let title = format!(
        "How narrow the interval of recall becomes with more {}",
        data.checks
    );
    let sheet = Sheet {
        name: "forecast",
        title: &title,
        description: format!(
            "Expected width of the {:.0} % interval, if new sites are like those seen so far and checks are spread over them.{told}",
            100.0 * data.confidence
        ),
        width: WIDTH,
        height: 356.0,
        legend: entries,
        under: String::new(),
    };
    sheet.draw(|pen| {
        let place = Place {
            left: 80.0,
            top: 8.0,
            width: 602.0,
            height: 300.0,
        };
        let all = || data.series.iter().flat_map(|s| &s.1);
        let far = all().map(|p| p[0]).fold(10.0, f64::max);
        let near = all()
            .map(|p| p[0])
            .filter(|checks| *checks > 0.0)
            .fold(far / 10.0, f64::min);
        let most = all().map(|p| p[1]).chain(data.today).fold(0.05, f64::max);
        let frame = Frame::new(
            pen,
            place,
            Axis::logarithmic(&format!("further {}", data.checks), near, far),
            Axis::rounded("width of the recall interval", 0.0, most * 1.05, 5),
        );
        frame.axes();
        if let Some(today) = data.today {
            frame.level(today, "today", Stroke::new(MUTED, 1.2).dashed(2.0, 3.0));
        }
        if let Some(wanted) = data.wanted {
            frame.level(wanted, "wanted", Stroke::new(INK, 1.2).dashed(6.0, 3.0));
        }
        for (i, (_, points)) in data.series.iter().enumerate() {
            let ink = series_ink(i);
            let stroke = Stroke::new(ink.color, 1.8);
            let points: Vec<[f64; 2]> = points.iter().filter(|p| p[0] > 0.0).copied().collect();
            frame.curve(&points, stroke);
            // Where a series begins and ends; one that reaches the width wanted ends there.
            for point in points.first().into_iter().chain(points.last()) {
                frame.marker(point[0], point[1], ink, 4.0);
            }
        }
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::figures::trial;

    #[test]
    fn the_first_number_of_checks_that_is_enough_is_told() {
        let series = |sites: f64| {
            let points = (1..=12)
                .map(|i| f64::from(i) * 50.0)
                .map(|n| {
                    [
                        n,
                        (0.01 + 1.2 / sites / 10.0 + 20.0 / (n + 150.0) / 2.0).sqrt() * 0.9,
                    ]
                })
                .collect();
            (format!("{sites} sites"), points)
        };
        let data = Forecast {
            checks: "ground checks",
            series: vec![series(6.0), series(12.0), series(24.0)],
            today: Some(0.32),
            wanted: Some(0.2),
            confidence: 0.95,
        };
        let figure = forecast(&data).unwrap();
        trial::keep(&figure);
        assert!(figure.description.contains("24 sites: "));
    }
}
