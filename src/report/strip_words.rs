//! Whether what strips hold agrees with what the thresholds took the field to be.

use super::numbers::{as_stated, chance_of};
use super::sources::{Sources, StripView};
use crate::evaluation::{Merit, proportion};
use crate::threshold::Thresholds;

/// A share that is off by more than three times, its interval included, is told.
const FACTOR: f64 = 3.0;

/// A share of a strip's glowing patches, and what it was taken to be.
struct Shares {
    what: &'static str,
    expected: &'static str,
    hits: u64,
    glows: u64,
    /// Value, lower and upper limit.
    taken: [f64; 3],
}

/// Sentences on strips, or on all of them together, that contradict the thresholds.
pub(super) fn contradictions(sources: &Sources) -> Vec<String> {
    let Some(thresholds) = &sources.thresholds else {
        return Vec::new();
    };
    let confidence = sources.plan.threshold.confidence;
    let shares: Vec<(String, Shares)> = sources
        .strips
        .iter()
        .filter_map(|s| Some((format!("strip {}", s.result.strip), shares(s, thresholds)?)))
        .collect();
    let told: Vec<String> = shares
        .iter()
        .filter_map(|(name, share)| contradiction(name, share, confidence))
        .collect();
    if !told.is_empty() || shares.len() < 2 {
        return told;
    }
    let mut all: Vec<Shares> = Vec::new();
    for (_, share) in shares {
        match all.iter_mut().find(|a| a.what == share.what) {
            Some(sum) => {
                sum.hits += share.hits;
                sum.glows += share.glows;
            }
            None => all.push(share),
        }
    }
    all.iter()
        .filter_map(|sum| contradiction("all strips together", sum, confidence))
        .collect()
}

/// Marked positives where truth is marked, walks where it is not.
fn shares(strip: &StripView, thresholds: &Thresholds) -> Option<Shares> {
    let result = &strip.result;
    let prior = &thresholds.prior;
    let limits = |value: f64, low: Option<f64>, high: Option<f64>| {
        [value, low.unwrap_or(value), high.unwrap_or(value)]
    };
    match &result.check {
        Some(check) => Some(Shares {
            what: "positives are marked",
            expected: "the field's prevalence",
            hits: check.marked_positives(),
            glows: result.patches,
            taken: limits(prior.value, prior.low, prior.high),
        }),
        None => {
            let walks: &Merit = thresholds.expected.walks_per_1000.as_ref()?;
            Some(Shares {
                what: "places are to be walked to",
                expected: "the share expected at the cut",
                hits: result.walks,
                glows: result.patches,
                taken: limits(walks.value, walks.low, walks.high).map(|w| w / 1000.0),
            })
        }
    }
}

fn contradiction(name: &str, share: &Shares, confidence: f64) -> Option<String> {
    let hits = share.hits.min(share.glows) as f64;
    let found = proportion::wilson(hits, share.glows as f64, confidence)?;
    let [value, low, high] = share.taken;
    let way = match () {
        () if found.low > FACTOR * high => "more than 3 times as many",
        () if found.high < low / FACTOR => "less than a third of it",
        () => return None,
    };
    let taken = match low < high {
        true => chance_of(value, Some([low, high])),
        false => as_stated(value),
    };
    Some(format!(
        "On {name} {} {} where {} patches glow, a share of {}, while {} was taken to be {taken}: {way}. Precision and \
         cost of the cut rest on what was taken; is threshold.prevalence that of such ground?",
        share.hits,
        share.what,
        share.glows,
        chance_of(found.value, Some([found.low, found.high])),
        share.expected,
    ))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn told(hits: u64, glows: u64, taken: [f64; 3]) -> Option<String> {
        let share = Shares {
            what: "positives are marked",
            expected: "the field's prevalence",
            hits,
            glows,
            taken,
        };
        contradiction("strip north", &share, 0.95)
    }

    #[test]
    fn a_share_beyond_three_times_the_prevalence_is_told_and_chance_is_not() {
        let more = told(7, 22, [0.05; 3]).unwrap();
        assert!(more.starts_with("On strip north 7 positives are marked where 22 patches glow, a share of 0.32 (0.16 to 0.53)"));
        assert!(
            more.contains("taken to be 0.05: more than 3 times as many."),
            "{more}"
        );
        let fewer = told(0, 400, [0.05; 3]).unwrap();
        assert!(fewer.contains("less than a third of it"), "{fewer}");
        assert!(told(2, 22, [0.05; 3]).is_none());
        assert!(told(7, 22, [0.05, 0.02, 0.2]).is_none());
        assert!(told(0, 0, [0.05; 3]).is_none());
        // Marks on what does not glow.
        assert!(told(3, 2, [0.05; 3]).is_some());
    }
}
