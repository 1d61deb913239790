//! Variance of the signal against its mean: read noise and gain of each channel.

use crate::Result;
use crate::report::drawing::*;
use crate::report::numbers::significant;

/// One channel's noise: variance = read_sd^2 + gain * signal, and that of rounding to whole codes.
#[derive(Debug, Clone, PartialEq)]
pub struct NoiseChannel {
    /// Red, green or blue.
    pub name: String,
    /// (mean linear signal, variance), both as shares of full scale.
    pub points: Vec<[f64; 2]>,
    /// (mean linear signal, variance) along the fit, rounding included.
    pub curve: Vec<[f64; 2]>,
    /// Standard deviation in the dark.
    pub read_sd: f64,
    /// Variance per signal.
    pub gain: f64,
}

/// Draws the points and the fitted lines on logarithmic axes.
pub fn noise(channels: &[NoiseChannel]) -> Result<Figure> {
    let told: Vec<String> = channels
        .iter()
        .map(|c| {
            format!(
                "{} {} and {}",
                c.name,
                significant(c.read_sd, 2),
                significant(c.gain, 2)
            )
        })
        .collect();
    let entries: Vec<(Key, String)> = channels
        .iter()
        .zip(CHANNELS)
        .map(|(c, ink)| (Key::Both(Stroke::new(ink.color, 1.6), ink), c.name.clone()))
        .collect();
    let sheet = Sheet {
        name: "noise",
        title: "Noise of each channel: variance against mean signal",
        description: format!(
            "Each point is a capture, its variance that of its pixels; lines are the fit variance = read noise² + gain × signal, as in \
             EMVA 1288, with the variance of rounding to whole codes added. A textured surface lies above its line. Signal is linear, \
             dark level removed, as a share of full scale. Read noise and gain: {}.",
            told.join("; ")
        ),
        width: WIDTH,
        height: 398.0,
        legend: entries,
        under: String::new(),
    };
    sheet.draw(|pen| {
        let positive = channels
            .iter()
            .flat_map(|c| c.points.iter().chain(&c.curve))
            .filter(|p| p[0] > 0.0 && p[1] > 0.0);
        let (mut x, mut y) = ((f64::MAX, 0.0f64), (f64::MAX, 0.0f64));
        for [signal, variance] in positive {
            x = (x.0.min(*signal), x.1.max(*signal));
            y = (y.0.min(*variance), y.1.max(*variance));
        }
        if x.1 == 0.0 {
            (x, y) = ((1e-3, 1.0), (1e-6, 1e-3));
        }
        let place = Place {
            left: 86.0,
            top: 8.0,
            width: 596.0,
            height: 340.0,
        };
        let frame = Frame::new(
            pen,
            place,
            Axis::logarithmic(
                "mean linear signal, share of full scale",
                x.0 * 0.7,
                x.1 * 1.4,
            ),
            Axis::logarithmic(
                "variance, share of full scale squared",
                y.0 * 0.5,
                y.1 * 2.0,
            ),
        );
        frame.axes();
        for (channel, ink) in channels.iter().zip(CHANNELS) {
            frame.curve(&channel.curve, Stroke::new(ink.color, 1.6));
            for point in &channel.points {
                frame.marker(point[0], point[1], ink, 3.4);
            }
        }
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::figures::trial;

    #[test]
    fn each_channel_has_points_and_a_line() {
        let channel = |name: &str, read_sd: f64, gain: f64, seed: u64| NoiseChannel {
            name: name.to_string(),
            points: trial::cloud(30, [0.0, 0.0], 0.12, seed)
                .iter()
                .enumerate()
                .map(|(i, p)| {
                    let signal = 0.002 * 1.22f64.powi(i as i32);
                    let variance = read_sd * read_sd + gain * signal;
                    [signal, variance * p[0].exp()]
                })
                .collect(),
            curve: (0..=60)
                .map(|i| 0.001 * 1.12f64.powi(i))
                .map(|signal| [signal, read_sd * read_sd + gain * signal])
                .collect(),
            read_sd,
            gain,
        };
        let channels = [
            channel("red", 8e-4, 2.2e-4, 1),
            channel("green", 6e-4, 1.1e-4, 2),
            channel("blue", 1.5e-3, 5e-4, 3),
        ];
        trial::keep(&noise(&channels).unwrap());
        trial::keep_as(&noise(&[]).unwrap(), "noise-none");
    }
}
