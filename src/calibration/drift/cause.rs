//! What changed, in a sentence.

use super::Brightness;
use super::hypotheses::{Change, Verdict};

/// What the sentence is made from.
pub(super) struct Found<'a> {
    pub verdict: &'a Verdict,
    /// Whether the test of color found a drift.
    pub drifted: bool,
    /// Brightness of the white, where it changed.
    pub brightness: Option<Brightness>,
    /// Whether brightness could be judged on the white.
    pub judged: bool,
    /// The targets in the order of the hypotheses.
    pub targets: &'a [&'a str],
    /// The target that moved most.
    pub most: &'a str,
}

impl Found<'_> {
    pub fn sentence(&self) -> String {
        match self.verdict {
            Verdict::One(change) => self.of(change),
            Verdict::Either(one, other) if self.changed() => format!(
                "The shifts fit {} as well as {}: these captures cannot tell them apart.",
                self.name(one),
                self.name(other)
            ),
            Verdict::Unknown if self.drifted => self.beside(format!(
                "The targets moved in ways that no single change explains, {} most of all: the filter, \
                 the laser's wavelength or the lens changed, or captures of this night differ in \
                 exposure. Calibrate anew.",
                self.most
            )),
            _ => self.of(&Change::Nothing),
        }
    }

    fn changed(&self) -> bool {
        self.drifted || self.brightness.is_some()
    }

    fn of(&self, change: &Change) -> String {
        match change {
            Change::Leak(times) => format!(
                "The glows are as they were beside each other, but the white sends back {times:.2} times the \
                 laser's light for them: the laser's wavelength moved, or the filter stops its light better or worse."
            ),
            Change::LeakColor => "The glows are as they were, but the white sends back another color: \
                 the laser's wavelength moved, so that another share of the laser leaks through."
                .to_string(),
            Change::Excitation([least, most]) => format!(
                "The targets keep their colors, but each changed in brightness by a factor of its own ({least:.2} \
                 to {most:.2}): the laser's wavelength changed, so that it excites each glow differently."
            ),
            Change::Gain(times) if !self.judged && !self.drifted => format!(
                "The colors are as they were; all signals are at {:.1} % of what height and exposure let \
                 expect: laser power or aperture changed, or the table is wrong about height or exposure.",
                100.0 * times
            ),
            _ if !self.changed() => "Nothing has changed beyond chance.".to_string(),
            Change::Nothing if self.drifted => self.beside(
                "The targets moved beyond chance, but too little to tell why.".to_string(),
            ),
            Change::Nothing | Change::Gain(_) if !self.drifted => {
                self.white().unwrap_or_else(|| "Nothing has changed beyond chance.".to_string())
            }
            Change::Nothing | Change::Gain(_) => self.beside(
                "The targets moved beyond chance, but one factor on all signals explains nearly all."
                    .to_string(),
            ),
            Change::Channels([red, green, blue]) => self.beside(format!(
                "One factor a channel explains all shifts (red {:.3}, blue {:.3} of green), on the \
                 targets as on the white: the white balance or the channels' gain changed, or the filter \
                 grew darker evenly.",
                red / green,
                blue / green
            )),
            Change::Filter { nm, leak } => {
                let way = if *nm > 0.0 { "red" } else { "blue" };
                let leak = leak.map_or(String::new(), |leak| {
                    format!(", and {leak:.2} times the laser's light leaks through")
                });
                format!(
                    "The shifts are those of a filter whose edge lies {:.1} nm farther to the {way}{leak}: \
                     another filter, or one that is tilted or aged. Calibrate anew.",
                    nm.abs()
                )
            }
            Change::Target(at) => self.beside(format!(
                "Only the target {} moved: it is soiled, bleached or mistaken for another, and the rig \
                 may be as it was.",
                self.target(*at)
            )),
            Change::WhiteExposure(times) => self.beside(format!(
                "The shifts are those of a leak that was taken off too {}: the white was captured at \
                 about {times:.1} times the exposure of the targets. Fix the exposure, or state it for \
                 every capture.",
                if *times > 1.0 { "much" } else { "little" }
            )),
        }
    }

    /// A change in a few words.
    fn name(&self, change: &Change) -> String {
        match change {
            Change::Nothing => "no change".to_string(),
            Change::Gain(_) => "another exposure or laser power".to_string(),
            Change::Channels(_) => "another white balance".to_string(),
            Change::Filter { nm, .. } => format!("a filter whose edge moved by {nm:+.1} nm"),
            Change::Leak(_) | Change::LeakColor | Change::Excitation(_) => {
                "another wavelength of the laser".to_string()
            }
            Change::Target(at) => format!("a change of the target {} alone", self.target(*at)),
            Change::WhiteExposure(times) => {
                format!("a white captured at {times:.1} times the exposure of the targets")
            }
        }
    }

    fn target(&self, at: usize) -> &str {
        self.targets.get(at).copied().unwrap_or("")
    }

    fn white(&self) -> Option<String> {
        self.brightness.map(|b| {
            format!(
                "The white is at {:.0} % of its brightness at the same exposure: laser power, height \
                 or aperture changed.",
                100.0 * b.value
            )
        })
    }

    fn beside(&self, color: String) -> String {
        match self.white() {
            Some(white) => format!("{color} {white}"),
            None => color,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sentence(verdict: Verdict, drifted: bool) -> String {
        Found {
            verdict: &verdict,
            drifted,
            brightness: None,
            judged: true,
            targets: &["moss", "pea"],
            most: "pea",
        }
        .sentence()
    }

    #[test]
    fn what_cannot_be_told_apart_is_said_of_a_drift_only() {
        let either = || {
            let filter = Change::Filter {
                nm: -3.04,
                leak: None,
            };
            Verdict::Either(filter, Change::Target(0))
        };
        let told = sentence(either(), true);
        assert!(told.contains(
            "a filter whose edge moved by -3.0 nm as well as a change of the target moss alone"
        ));
        assert_eq!(
            sentence(either(), false),
            "Nothing has changed beyond chance."
        );
        assert_eq!(
            sentence(Verdict::Unknown, false),
            "Nothing has changed beyond chance."
        );
        assert!(sentence(Verdict::Unknown, true).contains("no single change explains, pea most"));
        assert!(sentence(Verdict::One(Change::Nothing), true).contains("too little to tell why"));
    }
}
