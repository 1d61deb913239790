//! One side against the rest: figures of the ranking and of the stated probabilities.

use super::evaluation::{BrierParts, Merit, ReliabilityPoint};
use super::out_of_group::Predictions;
use super::probability::{self, Bins};
use super::ranked::{RankFigures, Ranked};
use super::unit_sums::Recalibrated;
use super::{ClusterBootstrap, Figure, GroupTrials, Probabilities, Scale, Scores, Units, roc};
use crate::Result;

/// Up to this false alarm rate goes the partial area.
pub(super) const PARTIAL_RATE: f64 = 0.1;
/// Bins of the reliability diagram.
const BINS: usize = 10;

/// Figures of one side against the rest that rest on how patches are ranked and on the
/// probabilities that are stated.
pub(super) struct AgainstRest {
    pub auc: Option<Merit>,
    pub partial_auc: Option<Merit>,
    pub average_precision: Option<Merit>,
    pub calibration_intercept: Option<Merit>,
    pub calibration_slope: Option<Merit>,
    pub brier_parts: Option<BrierParts>,
    pub reliability: Vec<ReliabilityPoint>,
}

/// `ranked_by` may be compared between folds, `stated` are the probabilities as each fold states
/// them, `is` tells the side; the figures' precision is that of the side that is `scarce`.
pub(super) fn against_rest(
    predictions: &Predictions,
    bootstrap: ClusterBootstrap,
    units: &Units,
    ranked_by: &[f64],
    stated: &[f64],
    is: &[bool],
    scarce: &GroupTrials,
) -> Result<AgainstRest> {
    let figure = |scale| Figure::new(scale, scarce);
    let weights = &predictions.weights;
    let scores = Scores::new(ranked_by, is)?.weighted(weights)?;
    let ranked = Ranked::new(&scores, units);
    let whole = ranked.figures(&units.once(), PARTIAL_RATE);
    let resampled = ranked.resample(&bootstrap, units, PARTIAL_RATE);
    let merit = |of: fn(&RankFigures) -> Option<f64>| {
        let column: Vec<f64> = resampled.iter().filter_map(of).collect();
        let value = of(&whole)?;
        let interval = bootstrap.interval_from(figure(Scale::Logit), value, &column);
        Merit::of(Some(value), interval)
    };
    let clamped: Vec<f64> = stated.iter().map(|p| p.clamp(0.0, 1.0)).collect();
    let stated = Probabilities::new(Scores::new(&clamped, is)?.weighted(weights)?)?;
    let mut found = AgainstRest {
        auc: auc(&bootstrap, &scores, units)?,
        partial_auc: merit(|f| f.partial_area),
        average_precision: merit(|f| f.average_precision),
        calibration_intercept: None,
        calibration_slope: None,
        brier_parts: probability::murphy(&stated, Bins::EqualCount(BINS)).map(|parts| BrierParts {
            reliability: parts.reliability,
            resolution: parts.resolution,
            uncertainty: parts.uncertainty,
            within_bins: parts.within_bins,
        }),
        reliability: probability::reliability(
            &stated,
            Bins::EqualCount(BINS),
            bootstrap.confidence,
        )
        .into_iter()
        .map(|bin| ReliabilityPoint {
            stated: bin.mean_probability,
            observed: bin.observed.value,
            low: bin.observed.low,
            high: bin.observed.high,
            patches: bin.patches,
        })
        .collect(),
    };
    if let Some(fit) = Recalibrated::new(units, &stated) {
        let figures = [figure(Scale::Identity); 2];
        let mut intervals = bootstrap.intervals(units, &figures, |times| {
            let (large, slope) = fit.figures(times);
            vec![large, slope]
        });
        found.calibration_slope = Merit::of(Some(fit.slope), intervals.pop().flatten());
        found.calibration_intercept = Merit::of(Some(fit.in_the_large), intervals.pop().flatten());
    }
    Ok(found)
}

fn auc(bootstrap: &ClusterBootstrap, scores: &Scores, units: &Units) -> Result<Option<Merit>> {
    let interval = bootstrap.auc_and_recall(scores, units, PARTIAL_RATE)?.auc;
    Ok(Merit::of(roc::auc(scores), interval))
}
