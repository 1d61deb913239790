//! Code value against linear signal, with what the curve leaves unexplained.

use crate::Result;
use crate::report::drawing::*;

/// One channel's response.
#[derive(Debug, Clone, PartialEq)]
pub struct ResponseChannel {
    /// Red, green or blue; one entry "all channels" for a response of a standard.
    pub name: String,
    /// (linear signal, code value) along the curve.
    pub curve: Vec<[f64; 2]>,
    /// (linear signal, code value) of the steps it was measured from; empty for a standard's.
    pub steps: Vec<[f64; 2]>,
    /// Code value of each step less that of the curve (of the one through the other steps where it
    /// was measured); one a step.
    pub residuals: Vec<f64>,
}

/// Draws the curves, and below them the residuals where there are steps; `standard` names the
/// response that was taken for granted, absent where it was measured.
pub fn response(channels: &[ResponseChannel], standard: Option<&str>) -> Result<Figure> {
    let stepped = channels.iter().any(|c| !c.steps.is_empty());
    let worst = channels
        .iter()
        .flat_map(|c| &c.residuals)
        .fold(0.0f64, |w, r| w.max(r.abs()));
    let steps = channels.iter().map(|c| c.steps.len()).max().unwrap_or(0);
    let description = match (standard, steps) {
        (None, _) => format!(
            "Response measured from {steps} steps of known relative exposure, one curve a channel, monotone between the steps and \
             not continued beyond them. Below: each inner step less the curve through the other steps; the largest is {worst:.2} code values."
        ),
        (Some(standard), 0) => {
            format!("The response was taken to be {standard}; it was not measured.")
        }
        (Some(standard), _) => format!(
            "The response was taken to be {standard} and checked with {steps} steps of known relative exposure. Below: each step less \
             that curve; the largest is {worst:.2} code values."
        ),
    };
    // One curve for all channels needs no key.
    let entries: Vec<(Key, String)> = channels
        .iter()
        .filter(|_| channels.len() > 1)
        .zip(CHANNELS)
        .map(|(c, ink)| (Key::Both(Stroke::new(ink.color, 1.8), ink), c.name.clone()))
        .collect();
    let sheet = Sheet {
        name: "response",
        title: "Code value against linear signal",
        description,
        width: WIDTH,
        height: if stepped { 470.0 } else { 356.0 },
        legend: entries,
        under: String::new(),
    };
    sheet.draw(|pen| {
        let all = || channels.iter().flat_map(|c| c.curve.iter().chain(&c.steps));
        let far = all().map(|p| p[0]).fold(0.0f64, f64::max);
        let top = all().map(|p| p[1]).fold(0.0f64, f64::max);
        let place = Place {
            left: 80.0,
            top: 8.0,
            width: 602.0,
            height: 300.0,
        };
        let x = Axis::rounded(
            "linear signal (1 is full scale, or the brightest step)",
            0.0,
            if far > 0.0 { far } else { 1.0 },
            6,
        );
        let y = Axis::rounded("code value", 0.0, if top > 0.0 { top } else { 255.0 }, 5);
        let frame = Frame::new(pen, place, x.clone(), y);
        frame.x_axis(!stepped);
        frame.y_axis();
        frame.edges();
        for (channel, ink) in channels.iter().zip(CHANNELS) {
            frame.curve(&channel.curve, Stroke::new(ink.color, 1.8));
            for step in &channel.steps {
                frame.marker(step[0], step[1], ink, 3.6);
            }
        }
        if stepped {
            let half = worst.max(0.2) * 1.2;
            let below = Place {
                top: 332.0,
                height: 90.0,
                ..place
            };
            let axis = Axis::linear("step − curve", -half, half, 4);
            let rest = Frame::new(pen, below, x, axis);
            rest.axes();
            rest.curve(
                &[[rest.x.low, 0.0], [rest.x.high, 0.0]],
                Stroke::new(MUTED, 1.0),
            );
            for (channel, ink) in channels.iter().zip(CHANNELS) {
                for (step, residual) in channel.steps.iter().zip(&channel.residuals) {
                    rest.marker(step[0], *residual, ink, 3.2);
                }
            }
        }
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::figures::trial;

    #[test]
    fn a_measured_response_shows_its_residuals_and_a_standard_has_none() {
        let channel = |name: &str, scale: f64, seed: u64| {
            let code = |e: f64| 255.0 * (e * scale).powf(0.45);
            let steps: Vec<[f64; 2]> = (0..14)
                .map(|i| 1.0 / 1.4f64.powi(i))
                .map(|e| [e, code(e)])
                .collect();
            ResponseChannel {
                name: name.to_string(),
                curve: (0..=100)
                    .map(|i| f64::from(i) / 100.0)
                    .map(|e| [e, code(e)])
                    .collect(),
                residuals: trial::cloud(14, [0.0, 0.0], 0.3, seed)
                    .iter()
                    .map(|p| p[0])
                    .collect(),
                steps,
            }
        };
        let mut channels = vec![
            channel("red", 0.9, 1),
            channel("green", 1.0, 2),
            channel("blue", 0.7, 3),
        ];
        let figure = response(&channels, None).unwrap();
        trial::keep(&figure);
        assert!(figure.description.contains("14 steps"));
        channels.truncate(1);
        channels[0].steps.clear();
        channels[0].residuals.clear();
        let figure = response(&channels, Some("that of IEC 61966-2-1")).unwrap();
        trial::keep_as(&figure, "response-standard");
        assert!(figure.description.contains("it was not measured"));
    }
}
