//! How many more checks, at how many sites, until recall is known well enough.

use crate::evaluation::clusters::{OneWay, design_effect};
use crate::evaluation::{ASSUMED_CORRELATION, OutOfGroup};
use crate::numeric::student_quantile;
use crate::{Error, Result};
use serde::{Deserialize, Serialize};

/// Most checked positives a site that are forecast.
const MOST_A_SITE: usize = 200;

/// What further checks would do to the interval of recall.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RecallForecast {
    /// Recall at the cut today.
    pub recall: f64,
    /// Correlation of two positives of a site in being found.
    pub correlation: f64,
    /// Whether the correlation is the data's own or assumed because they cannot tell it.
    pub correlation_assumed: bool,
    /// Sites with checked positives today, and checked positives.
    pub today: [usize; 2],
    /// Expected width of the interval today.
    pub width_today: Option<f64>,
    /// The width that is asked for.
    pub wanted: f64,
    /// Confidence of the interval.
    pub confidence: f64,
    /// Share of positives among checks, by which positives turn into checks.
    pub positive_share: f64,
    /// What it takes at each number of further sites.
    pub sites: Vec<SiteForecast>,
}

impl RecallForecast {
    /// The forecast in plain sentences.
    pub fn in_words(&self) -> Vec<String> {
        let today = match self.width_today {
            Some(width) => format!(
                "Recall is about {:.2} (unweighted, half a positive added to either side) with an interval {width:.2} wide, \
                 from {} positives at {} sites.",
                self.recall, self.today[1], self.today[0]
            ),
            None => {
                "Recall has no interval yet: positives were checked at one site only.".to_string()
            }
        };
        if self.width_today.is_some_and(|width| width <= self.wanted) {
            let enough = format!(
                "It is no wider than the {:.2} asked for: that takes no further checks.",
                self.wanted
            );
            return vec![today, enough];
        }
        let paths: Vec<String> = self
            .sites
            .iter()
            .map(|path| {
                let place = match path.further_sites {
                    0 => "at the sites there are".to_string(),
                    n => format!("at {n} further sites"),
                };
                match path.further_checks {
                    Some(0) => format!("none {place}"),
                    Some(checks) => format!("about {checks} {place}"),
                    None => format!("no number {place}"),
                }
            })
            .collect();
        vec![
            today,
            format!(
                "Further checks until it is {:.2} wide, with at least one positive at each further site: {}.",
                self.wanted,
                paths.join(", ")
            ),
        ]
    }
}

/// What it takes at a number of further sites.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SiteForecast {
    /// Further sites.
    pub further_sites: usize,
    /// Further checks in all until the interval is as narrow as asked; absent if no number will do.
    pub further_checks: Option<usize>,
    /// Further checks and the expected width of the interval.
    pub widths: Vec<(usize, f64)>,
}

/// Forecasts the interval of recall at `cut` (on the probability at `prevalence`).
///
/// With G sites of m positives each, recall p and correlation r within a site, the standard error is
/// sqrt(p (1 - p) (1 + (m - 1) r) / (G m)) (Kish 1965); the interval is symmetric on the logit with Student's t
/// of G - 1 degrees. Limits: it takes further sites to be like the ones there are.
///
/// # Errors
/// No checked positive, a width or share that makes no sense.
pub fn forecast_recall(
    predictions: &OutOfGroup,
    cut: f64,
    prevalence: f64,
    wanted: f64,
    confidence: f64,
) -> Result<RecallForecast> {
    if !(wanted > 0.0 && wanted < 1.0) {
        return Err(Error::input(format!(
            "found a width of {wanted}, expected one between 0 and 1"
        )));
    }
    let p = predictions.p_positive_at(prevalence);
    let positive = predictions.is_positive();
    let mut found: Vec<Vec<f64>> = vec![Vec::new(); predictions.group_names().len()];
    for i in (0..predictions.len()).filter(|&i| positive[i]) {
        found[predictions.groups()[i]].push(f64::from(p[i] >= cut));
    }
    let sites = found.iter().filter(|f| !f.is_empty()).count();
    let positives: usize = found.iter().map(Vec::len).sum();
    if positives == 0 {
        return Err(
            Error::too_little("there is no checked positive to forecast from")
                .remedy("check some glows that are likely positives first"),
        );
    }
    let hits: f64 = found.iter().flatten().sum();
    // Half a positive to each side: a recall of exactly 0 or 1 would promise a width of 0.
    let recall = (hits + 0.5) / (positives as f64 + 1.0);
    let own = OneWay::of(&found).and_then(|o| o.intraclass_correlation());
    let correlation = own.map_or(ASSUMED_CORRELATION, |r| r.clamp(0.0, 1.0));
    let positive_share = positives as f64 / predictions.len() as f64;
    let width =
        |sites: f64, positives: f64| width(recall, correlation, sites, positives, confidence);
    let forecasts = [0, 2, 5, 10, 20]
        .into_iter()
        .filter(|further| sites + further >= 2)
        .map(|further| {
            let all_sites = (sites + further) as f64;
            let mut widths = Vec::new();
            let mut further_checks = None;
            for a_site in 0..=MOST_A_SITE {
                let more = match further {
                    0 => sites * a_site,
                    _ => further * a_site,
                };
                if further > 0 && a_site == 0 {
                    continue;
                }
                let checks = (more as f64 / positive_share).ceil() as usize;
                let expected = width(all_sites, (positives + more) as f64);
                if a_site <= 10 || a_site % 10 == 0 {
                    widths.push((checks, expected));
                }
                if expected <= wanted {
                    further_checks = Some(checks);
                    break;
                }
            }
            SiteForecast {
                further_sites: further,
                further_checks,
                widths,
            }
        })
        .collect();
    Ok(RecallForecast {
        recall,
        correlation,
        correlation_assumed: own.is_none(),
        today: [sites, positives],
        width_today: (sites >= 2).then(|| width(sites as f64, positives as f64)),
        wanted,
        confidence,
        positive_share,
        sites: forecasts,
    })
}

/// Expected width of the interval of recall.
fn width(recall: f64, correlation: f64, sites: f64, positives: f64, confidence: f64) -> f64 {
    let spread = recall * (1.0 - recall);
    let swollen = design_effect((positives / sites).max(1.0), correlation);
    let error = (spread * swollen / positives).sqrt();
    let half = student_quantile(0.5 + confidence / 2.0, sites - 1.0) * error / spread;
    let odds = recall / (1.0 - recall);
    let share = |odds: f64| 1.0 - 1.0 / (1.0 + odds);
    share(odds * half.exp()) - share(odds * (-half).exp())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn without_correlation_only_the_number_of_positives_matters_beside_the_degrees() {
        // p = 0.5, 100 positives, 11 sites: error 0.05, on the logit 0.2; t of 10 degrees 2.2281.
        let half: f64 = 2.228_138_9 * 0.2;
        let expected = 2.0 * (1.0 / (1.0 + (-half).exp()) - 0.5);
        assert!((width(0.5, 0.0, 11.0, 100.0, 0.95) - expected).abs() < 1e-6);
    }

    #[test]
    fn patches_of_one_site_cannot_replace_sites() {
        let few_sites = width(0.8, 0.3, 5.0, 5000.0, 0.95);
        let more_sites = width(0.8, 0.3, 20.0, 200.0, 0.95);
        assert!(more_sites < few_sites, "{more_sites} {few_sites}");
    }

    #[test]
    fn an_interval_that_is_narrow_enough_asks_for_no_checks() {
        let forecast = |wanted: f64| RecallForecast {
            recall: 0.8,
            correlation: 0.1,
            correlation_assumed: false,
            today: [12, 90],
            width_today: Some(0.18),
            wanted,
            confidence: 0.95,
            positive_share: 0.2,
            sites: vec![SiteForecast {
                further_sites: 2,
                further_checks: Some(10),
                widths: vec![(10, 0.17)],
            }],
        };
        let enough = forecast(0.20).in_words().join(" ");
        assert!(enough.contains("no further checks"), "{enough}");
        assert!(!enough.contains("about 10"), "{enough}");
        let more = forecast(0.17).in_words().join(" ");
        assert!(more.contains("about 10 at 2 further sites"), "{more}");
    }

    #[test]
    fn more_positives_narrow_the_interval() {
        assert!(width(0.8, 0.1, 8.0, 80.0, 0.95) < width(0.8, 0.1, 8.0, 40.0, 0.95));
    }
}
