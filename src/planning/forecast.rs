//! How many more checks or audits, at how many sites, until recall is known well enough.

use crate::evaluation::clusters::{OneWay, design_effect};
use crate::evaluation::{ASSUMED_CORRELATION, Merit, OutOfGroup};
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
    /// Positives of equal weight that would tell as much as those of today (Kish 1965).
    pub effective_positives: f64,
    /// Width of the interval today.
    pub width_today: Option<f64>,
    /// The width that is asked for.
    pub wanted: f64,
    /// Confidence of the interval.
    pub confidence: f64,
    /// What each kind of further checks would do, that of the positives that leave most uncertain first.
    pub kinds: Vec<KindForecast>,
}

/// What kind of places further checks are of.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum CheckKind {
    /// Any: all positives were chosen in one way.
    Any,
    /// Places that were certain to be checked.
    Certain,
    /// Places drawn at random among the others.
    Audit,
}

/// What further checks of one kind would do, those of the other kind staying as they are.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct KindForecast {
    /// The kind.
    pub kind: CheckKind,
    /// Checked positives of this kind today.
    pub positives: usize,
    /// Share of positives among checks of this kind, by which positives turn into checks.
    pub positive_share: f64,
    /// Share of the variance of recall that is left to positives of this kind.
    pub share_of_variance: f64,
    /// What it takes at each number of further sites.
    pub sites: Vec<SiteForecast>,
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

impl RecallForecast {
    /// The forecast in plain sentences.
    pub fn in_words(&self) -> Vec<String> {
        let mut words = vec![self.today_in_words()];
        if self.width_today.is_some_and(|width| width <= self.wanted) {
            words.push(format!(
                "It is no wider than the {:.2} asked for: that takes no further checks.",
                self.wanted
            ));
            return words;
        }
        words.extend(self.what_is_short());
        words.extend(self.kinds.iter().map(|kind| kind.in_words(self.wanted)));
        words
    }

    fn today_in_words(&self) -> String {
        let Some(width) = self.width_today else {
            return "Recall has no interval yet: positives were checked at one site only."
                .to_string();
        };
        let [sites, positives] = self.today;
        let weighted = match self.kinds.len() {
            1 => String::new(),
            _ => format!(
                ", which tell no more than {:.0} of equal weight would (Kish 1965)",
                self.effective_positives
            ),
        };
        format!(
            "Recall is about {:.2} with an interval {width:.2} wide, from {positives} positives at {sites} sites{weighted}.",
            self.recall
        )
    }

    /// Whether audits or checks of flagged places are what is short.
    fn what_is_short(&self) -> Option<String> {
        let [most, _] = &self.kinds[..] else {
            return None;
        };
        let share = 100.0 * most.share_of_variance;
        Some(match most.kind {
            CheckKind::Audit => format!(
                "Audit more rather than check more of what is flagged: {share:.0} % of what is uncertain is left by the {} positives that were drawn at \
                 random.",
                most.positives
            ),
            _ => format!(
                "Check more of what is flagged rather than audit more: {share:.0} % of what is uncertain is left by the {} positives that were certain to be \
                 checked.",
                most.positives
            ),
        })
    }
}

impl KindForecast {
    fn in_words(&self, wanted: f64) -> String {
        let what = match self.kind {
            CheckKind::Any => "Further checks",
            CheckKind::Certain => "Further checks of flagged places",
            CheckKind::Audit => "Further audits",
        };
        if self.sites.iter().all(|path| path.further_checks.is_none()) {
            return format!("{what} alone do not make it {wanted:.2} wide.");
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
        format!(
            "{what} until it is {wanted:.2} wide, with at least one positive at each further site: {}.",
            paths.join(", ")
        )
    }
}

/// Checked positives that were chosen in one way, and what they weigh.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Stratum {
    kind: CheckKind,
    /// Checked patches, positive or not.
    checks: usize,
    positives: usize,
    /// Summed weight of the positives.
    weight: f64,
    /// Summed squares of their weights.
    squares: f64,
}

impl Stratum {
    fn of(
        kind: CheckKind,
        weights: &[f64],
        positive: &[bool],
        is_of: impl Fn(f64) -> bool,
    ) -> Self {
        let checked = || weights.iter().zip(positive).filter(|(w, _)| is_of(**w));
        let of_positives = || checked().filter(|(_, p)| **p).map(|(w, _)| *w);
        Stratum {
            kind,
            checks: checked().count(),
            positives: of_positives().count(),
            weight: of_positives().sum(),
            squares: of_positives().map(|w| w * w).sum(),
        }
    }

    /// Those certain to be checked and those drawn, where both brought positives; else all as one.
    fn of_checks(weights: &[f64], positive: &[bool]) -> Vec<Self> {
        let strata = [
            Stratum::of(CheckKind::Certain, weights, positive, |w| w <= 1.0),
            Stratum::of(CheckKind::Audit, weights, positive, |w| w > 1.0),
        ];
        match strata.iter().all(|s| s.positives > 0) {
            true => strata.to_vec(),
            false => vec![Stratum::of(CheckKind::Any, weights, positive, |_| true)],
        }
    }

    fn positive_share(&self) -> f64 {
        self.positives as f64 / self.checks as f64
    }
}

/// Positives of equal weight that tell as much (Kish 1965) when `more` are checked of one kind: they stand for the same
/// ground as before, so that each weighs less and their squares shrink.
fn effective_positives(strata: &[Stratum], (kind, more): (CheckKind, usize)) -> f64 {
    let weight: f64 = strata.iter().map(|s| s.weight).sum();
    let squares = strata.iter().map(|s| match s.kind == kind {
        true => s.squares * s.positives as f64 / (s.positives + more) as f64,
        false => s.squares,
    });
    weight * weight / squares.sum::<f64>()
}

/// Forecasts the interval of recall at `cut` (on the probability at `prevalence`), which is `stated` today.
///
/// With G sites, positives that tell as much as n of equal weight, recall p and correlation r within a site, the
/// standard error is sqrt(p (1 - p) (1 + (n / G - 1) r) / n) (Kish 1965); the interval is symmetric on the logit with
/// Student's t of G - 1 degrees. By how much it shrinks so, the stated interval does. Limits: it takes further sites to be
/// like the ones there are, and positives of one kind to be found as those of the other.
///
/// # Errors
/// No checked positive, a width that makes no sense.
pub fn forecast_recall(
    predictions: &OutOfGroup,
    (cut, prevalence): (f64, f64),
    stated: Option<&Merit>,
    wanted: f64,
    confidence: f64,
) -> Result<RecallForecast> {
    if !(wanted > 0.0 && wanted < 1.0) {
        return Err(Error::input(format!(
            "found a width of {wanted}, expected one between 0 and 1"
        )));
    }
    let walked = predictions.walked_to(&predictions.p_positive_at(prevalence), cut);
    let (positive, weights) = (predictions.is_positive(), predictions.weights());
    let mut found: Vec<Vec<f64>> = vec![Vec::new(); predictions.group_names().len()];
    let (mut hits, mut all) = (0.0, 0.0);
    for i in (0..predictions.len()).filter(|&i| positive[i]) {
        let hit = f64::from(walked[i]);
        found[predictions.groups()[i]].push(hit);
        hits += weights[i] * hit;
        all += weights[i];
    }
    let sites = found.iter().filter(|f| !f.is_empty()).count();
    let positives: usize = found.iter().map(Vec::len).sum();
    if positives == 0 {
        return Err(
            Error::too_little("there is no checked positive to forecast from")
                .remedy("check some glows that are likely positives first"),
        );
    }
    let recall = stated.map_or(hits / all, |s| s.value);
    let own = OneWay::of(&found).and_then(|o| o.intraclass_correlation());
    let strata = Stratum::of_checks(weights, &positive);
    let of_today = effective_positives(&strata, (CheckKind::Any, 0));
    let mut model = Model {
        // Half a positive to each side: a recall of exactly 0 or 1 would promise a width of 0.
        recall: (recall * of_today + 0.5) / (of_today + 1.0),
        correlation: own.map_or(ASSUMED_CORRELATION, |r| r.clamp(0.0, 1.0)),
        confidence,
        scale: 1.0,
    };
    let modelled = (sites >= 2).then(|| model.width(sites, of_today));
    let limits = stated.and_then(|s| s.low.zip(s.high));
    let width_today = match (limits, modelled) {
        (Some((low, high)), Some(modelled)) if high > low => {
            model.scale = (high - low) / modelled;
            Some(high - low)
        }
        _ => modelled,
    };
    let squares: f64 = strata.iter().map(|s| s.squares).sum();
    let mut kinds: Vec<KindForecast> = strata
        .iter()
        .map(|stratum| KindForecast {
            kind: stratum.kind,
            positives: stratum.positives,
            positive_share: stratum.positive_share(),
            share_of_variance: stratum.squares / squares,
            sites: model.paths(&strata, stratum, sites, wanted),
        })
        .collect();
    kinds.sort_by(|a, b| b.share_of_variance.total_cmp(&a.share_of_variance));
    Ok(RecallForecast {
        recall,
        correlation: model.correlation,
        correlation_assumed: own.is_none(),
        today: [sites, positives],
        effective_positives: of_today,
        width_today,
        wanted,
        confidence,
        kinds,
    })
}

/// How the interval of recall depends on what was checked.
struct Model {
    recall: f64,
    correlation: f64,
    confidence: f64,
    /// The stated width of today over the one that follows from the other numbers.
    scale: f64,
}

impl Model {
    fn width(&self, sites: usize, positives: f64) -> f64 {
        let sites = sites as f64;
        self.scale
            * width(
                self.recall,
                self.correlation,
                sites,
                positives,
                self.confidence,
            )
    }

    /// What further checks of the kind of `stratum` do, at each number of further sites.
    fn paths(
        &self,
        strata: &[Stratum],
        stratum: &Stratum,
        sites: usize,
        wanted: f64,
    ) -> Vec<SiteForecast> {
        [0, 2, 5, 10, 20]
            .into_iter()
            .filter(|further| sites + further >= 2)
            .map(|further| {
                let mut path = SiteForecast {
                    further_sites: further,
                    further_checks: None,
                    widths: Vec::new(),
                };
                for a_site in usize::from(further > 0)..=MOST_A_SITE {
                    let more = match further {
                        0 => sites * a_site,
                        _ => further * a_site,
                    };
                    let checks = (more as f64 / stratum.positive_share()).ceil() as usize;
                    let positives = effective_positives(strata, (stratum.kind, more));
                    let expected = self.width(sites + further, positives);
                    if a_site <= 10 || a_site % 10 == 0 {
                        path.widths.push((checks, expected));
                    }
                    if expected <= wanted {
                        path.further_checks = Some(checks);
                        break;
                    }
                }
                path
            })
            .collect()
    }
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

    fn path(further_checks: Option<usize>) -> SiteForecast {
        SiteForecast {
            further_sites: 2,
            further_checks,
            widths: vec![(10, 0.17)],
        }
    }

    fn kind(kind: CheckKind, share_of_variance: f64, further: Option<usize>) -> KindForecast {
        KindForecast {
            kind,
            positives: 4,
            positive_share: 0.2,
            share_of_variance,
            sites: vec![path(further)],
        }
    }

    fn forecast(wanted: f64, kinds: Vec<KindForecast>) -> RecallForecast {
        RecallForecast {
            recall: 0.8,
            correlation: 0.1,
            correlation_assumed: false,
            today: [12, 90],
            effective_positives: 7.0,
            width_today: Some(0.18),
            wanted,
            confidence: 0.95,
            kinds,
        }
    }

    #[test]
    fn an_interval_that_is_narrow_enough_asks_for_no_checks() {
        let any = || vec![kind(CheckKind::Any, 1.0, Some(10))];
        let enough = forecast(0.20, any()).in_words().join(" ");
        assert!(enough.contains("no further checks"), "{enough}");
        assert!(!enough.contains("about 10"), "{enough}");
        let more = forecast(0.17, any()).in_words().join(" ");
        assert!(more.contains("about 10 at 2 further sites"), "{more}");
    }

    #[test]
    fn where_few_audited_positives_leave_most_uncertain_more_audits_are_asked_for() {
        let kinds = vec![
            kind(CheckKind::Audit, 0.93, Some(150)),
            kind(CheckKind::Certain, 0.07, None),
        ];
        let words = forecast(0.1, kinds).in_words().join(" ");
        for told in [
            "no more than 7 of equal weight",
            "Audit more rather than check more",
            "93 % of what is uncertain is left by the 4 positives",
            "Further audits until it is 0.10 wide",
            "about 150 at 2 further sites",
            "Further checks of flagged places alone do not make it 0.10 wide",
        ] {
            assert!(words.contains(told), "{told}: {words}");
        }
    }

    #[test]
    fn more_positives_narrow_the_interval() {
        assert!(width(0.8, 0.1, 8.0, 80.0, 0.95) < width(0.8, 0.1, 8.0, 40.0, 0.95));
    }

    /// 40 flagged places, 20 of them positive; 100 of 2000 others audited, 4 of them positive.
    fn audited() -> Vec<Stratum> {
        let weights = [vec![1.0; 40], vec![20.0; 100]].concat();
        let positive: Vec<bool> = (0..140).map(|i| !(20..136).contains(&i)).collect();
        Stratum::of_checks(&weights, &positive)
    }

    #[test]
    fn a_few_heavy_positives_tell_little_and_only_audits_mend_it() {
        let strata = audited();
        // Weights sum to 20 + 80, their squares to 20 + 1600.
        let today = effective_positives(&strata, (CheckKind::Any, 0));
        assert!((today - 10_000.0 / 1620.0).abs() < 1e-12, "{today}");
        assert_eq!(strata[1].positive_share(), 0.04);
        // Four more audited: each of the eight weighs 10.
        let audits = effective_positives(&strata, (CheckKind::Audit, 4));
        assert!((audits - 10_000.0 / 820.0).abs() < 1e-12, "{audits}");
        let flagged = effective_positives(&strata, (CheckKind::Certain, 100_000));
        assert!(flagged < 10_000.0 / 1600.0, "{flagged}");
    }

    #[test]
    fn positives_of_one_weight_are_counted() {
        let strata = Stratum::of_checks(&[20.0; 10], &[true; 10]);
        assert_eq!(strata.len(), 1);
        assert!((effective_positives(&strata, (CheckKind::Any, 5)) - 15.0).abs() < 1e-12);
    }

    #[test]
    fn the_forecast_begins_at_the_stated_width() {
        let strata = audited();
        let model = Model {
            recall: 0.8,
            correlation: 0.1,
            confidence: 0.95,
            scale: 0.416 / width(0.8, 0.1, 10.0, 10_000.0 / 1620.0, 0.95),
        };
        let of = |stratum| model.paths(&strata, stratum, 10, 0.2);
        let (audits, flagged) = (of(&strata[1]), of(&strata[0]));
        assert!((audits[0].widths[0].1 - 0.416).abs() < 1e-12);
        assert!(audits[0].further_checks.is_some_and(|n| n > 100));
        assert!(flagged[0].further_checks.is_none());
        assert!(flagged[0].widths.iter().all(|(_, w)| *w > 0.3));
    }
}
