//! Which mapping: every candidate is fitted without each target in turn and judged on it.

use super::CandidateResult;
use super::fit::{Form, Sample};
use super::mapping::{Coefficients, MappingKind, apply, color_of};

/// A form with the computed glows it may lean on.
#[derive(Debug, Clone)]
pub(super) struct Candidate<'a> {
    pub form: Form,
    /// Glows computed from the camera's curves; none if the targets stand alone.
    pub computed: &'a [Sample],
    /// Computed glows of more kinds that it is tried on.
    pub trials: &'a [Sample],
}

impl Candidate<'_> {
    /// Fitted to the targets as weighted.
    pub fn fit(&self, targets: &[Sample], start: Option<&Coefficients>) -> Option<Coefficients> {
        let mut all = targets.to_vec();
        all.extend_from_slice(self.computed);
        self.form.fit(&all, start)
    }

    /// Where a fit to slightly other targets may start: computed glows hold it in place, so that
    /// it ends where a fit from afar would; targets alone do not.
    pub fn start<'c>(&self, coefficients: &'c Coefficients) -> Option<&'c Coefficients> {
        (!self.computed.is_empty()).then_some(coefficients)
    }

    /// u', v' of a net signal under coefficients of this form; far away where there is no color.
    pub fn uv(&self, coefficients: &Coefficients, net: [f64; 3]) -> Option<[f64; 2]> {
        let [u, v, _] = color_of(apply(coefficients, self.form.kind, net))?;
        Some([u, v])
    }

    /// Distance of each computed glow that it is tried on from where it belongs.
    fn errors_on_trials(&self, coefficients: &Coefficients) -> Vec<f64> {
        let error = |trial: &Sample| match self.uv(coefficients, trial.net) {
            Some(uv) => distance(uv, trial.uv),
            None => LOST,
        };
        self.trials.iter().map(error).collect()
    }
}

/// A candidate fitted to all targets and without each.
#[derive(Debug, Clone)]
pub(super) struct Judged {
    pub coefficients: Coefficients,
    /// u', v' of each target by the fit without it.
    pub left_out: Vec<Option<[f64; 2]>>,
    /// Coefficients of each of these fits.
    pub without: Vec<Option<Coefficients>>,
    /// Distance of each of these from the reference.
    pub errors: Vec<f64>,
}

/// Distance that stands for a target that has no color by the fit without it.
const LOST: f64 = 0.2;

pub(super) fn judge(candidate: &Candidate<'_>, targets: &[Sample]) -> Option<Judged> {
    let coefficients = candidate.fit(targets, None)?;
    let start = candidate.start(&coefficients);
    let without: Vec<Option<Coefficients>> = (0..targets.len())
        .map(|i| {
            let mut kept = targets.to_vec();
            kept.remove(i);
            candidate.fit(&kept, start)
        })
        .collect();
    let left_out: Vec<Option<[f64; 2]>> = without
        .iter()
        .zip(targets)
        .map(|(fit, target)| candidate.uv(fit.as_ref()?, target.net))
        .collect();
    let errors = left_out
        .iter()
        .zip(targets)
        .map(|(found, target)| match found {
            Some(uv) => distance(*uv, target.uv),
            None => LOST,
        })
        .collect();
    Some(Judged {
        coefficients,
        left_out,
        without,
        errors,
    })
}

pub(super) fn distance(a: [f64; 2], b: [f64; 2]) -> f64 {
    (a[0] - b[0]).hypot(a[1] - b[1])
}

/// The first (simplest) whose mean error exceeds the best's by no more than one standard error of
/// the difference over targets.
///
/// What the camera's curves know is used unless the targets speak against it: if a candidate with
/// computed glows is within that of the best, only candidates with them compete. A dozen targets may leave
/// two of these as good as each other; the computed glows that no fit saw then tell more, by the same rule.
pub(super) fn choose(candidates: &[Candidate<'_>], judged: &[Option<Judged>]) -> Option<usize> {
    let errors = |informed: bool| -> Vec<(usize, Vec<f64>)> {
        let of = |(i, j): (usize, &Option<Judged>)| Some((i, j.as_ref()?.errors.clone()));
        let all = judged.iter().enumerate().filter_map(of);
        all.filter(|(i, _)| !informed || !candidates[*i].computed.is_empty())
            .collect()
    };
    let near = near_best(&errors(false));
    if near.iter().all(|i| candidates[*i].computed.is_empty()) {
        return near.first().copied();
    }
    let on_trials = |i: usize| {
        let fit = judged[i].as_ref()?;
        Some((i, candidates[i].errors_on_trials(&fit.coefficients)))
    };
    let informed = near_best(&errors(true));
    let tried: Vec<(usize, Vec<f64>)> = informed.into_iter().filter_map(on_trials).collect();
    near_best(&tried).first().copied()
}

/// Those candidates whose mean error is within one standard error of the best's, in order.
fn near_best(found: &[(usize, Vec<f64>)]) -> Vec<usize> {
    let mean = |errors: &[f64]| errors.iter().sum::<f64>() / errors.len() as f64;
    let Some((_, best)) = found
        .iter()
        .min_by(|a, b| mean(&a.1).total_cmp(&mean(&b.1)))
    else {
        return Vec::new();
    };
    let near = found.iter().filter(|(_, errors)| {
        let more: Vec<f64> = errors.iter().zip(best).map(|(a, b)| a - b).collect();
        let (average, error) = mean_and_error(&more);
        average <= error
    });
    near.map(|(i, _)| *i).collect()
}

pub(super) fn mean_and_error(values: &[f64]) -> (f64, f64) {
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    let variance = values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (n - 1.0).max(1.0);
    (mean, (variance / n).sqrt())
}

/// What is written down of the candidates.
pub(super) fn results(
    candidates: &[Candidate<'_>],
    judged: &[Option<Judged>],
    chosen: usize,
) -> Vec<CandidateResult> {
    candidates
        .iter()
        .zip(judged)
        .enumerate()
        .filter_map(|(i, (candidate, judged))| {
            let (mean, error) = mean_and_error(&judged.as_ref()?.errors);
            Some(CandidateResult {
                kind: candidate.form.kind,
                computed_glows: candidate.computed.len(),
                cross_validated_mean_uv: mean,
                standard_error: error,
                chosen: i == chosen,
            })
        })
        .collect()
}

/// The kinds in the order of their simplicity.
pub(super) const KINDS: [MappingKind; 2] = [MappingKind::Matrix, MappingKind::RootPolynomial];
