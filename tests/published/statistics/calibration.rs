//! Probabilities: Wilks 2006 chapter 7 (table from memory), Murphy 1973, Lee 1974 by way of the
//! documentation of a statistics package, scikit-learn's and torchmetrics' documentation.

use super::{Case, case, column};
use boneglow::classify::Softmax;
use boneglow::evaluation::probability::{
    Bins, ProbabilitySource, brier, calibration_error, hosmer_lemeshow, log_loss, murphy,
    reliability,
};
use boneglow::evaluation::{Probabilities, Scores};
use ndarray::Array2;

const FILE: &str = "agreement_calibration.json";

fn with<R>(p: &[f64], y: &[bool], weights: Option<&[f64]>, run: impl Fn(&Probabilities) -> R) -> R {
    let scores = Scores::new(p, y).unwrap();
    let scores = match weights {
        Some(weights) => scores.weighted(weights).unwrap(),
        None => scores,
    };
    run(&Probabilities::new(scores).unwrap())
}

/// A table of forecasts as weighted patches: an event and a non-event for each forecast.
fn as_patches(forecast: &[f64], share: &[f64], events: &[f64]) -> (Vec<f64>, Vec<bool>, Vec<f64>) {
    let mut columns = (Vec::new(), Vec::new(), Vec::new());
    for i in 0..forecast.len() {
        for (event, weight) in [(true, events[i]), (false, 1.0 - events[i])] {
            columns.0.push(forecast[i]);
            columns.1.push(event);
            columns.2.push(weight * share[i]);
        }
    }
    columns
}

#[test]
fn murphys_parts_equal_the_precipitation_table() {
    let case = case(FILE, "wilks");
    let (p, y, w) = as_patches(
        &case.numbers("forecast"),
        &case.numbers("relative_frequency_of_forecast"),
        &case.numbers("conditional_event_frequency"),
    );
    with(&p, &y, Some(&w), |probabilities| {
        let parts = murphy(probabilities, Bins::Distinct).unwrap();
        let scores = probabilities.scores();
        let all = scores.positive_weight() + scores.negative_weight();
        case.check(
            &[
                ("climatology", scores.positive_weight() / all),
                ("reliability", parts.reliability),
                ("resolution", parts.resolution),
                ("uncertainty", parts.uncertainty),
                ("brier_score", parts.brier),
                ("brier_skill", parts.skill().unwrap()),
            ],
            &[],
        );
        assert!(parts.within_bins.abs() < 1e-12);
    });
}

#[test]
fn a_reliable_forecast_has_no_reliability_term() {
    let case = case(FILE, "brier_murphy_hand");
    let n = case.numbers("n");
    let events: Vec<f64> = case
        .numbers("events")
        .iter()
        .zip(&n)
        .map(|(e, n)| e / n)
        .collect();
    let (p, y, w) = as_patches(&case.numbers("forecast"), &n, &events);
    with(&p, &y, Some(&w), |probabilities| {
        let parts = murphy(probabilities, Bins::Distinct).unwrap();
        let gaps = calibration_error(&reliability(probabilities, Bins::Distinct, 0.95)).unwrap();
        case.check_within(
            &[
                ("brier_score", parts.brier),
                ("reliability", parts.reliability),
                ("resolution", parts.resolution),
                ("uncertainty", parts.uncertainty),
                ("expected_calibration_error", gaps.expected),
                ("maximum_calibration_error", gaps.maximum),
            ],
            &[],
            1e-12,
        );
    });
}

#[test]
fn brier_and_log_loss_equal_the_documentation() {
    for (id, name) in [
        ("sklearn_doc_brier", "brier"),
        ("sklearn_doc_log_loss", "log_loss"),
    ] {
        let case = case(FILE, id);
        let value = with(&case.numbers("p"), &case.flags("y"), None, |p| match name {
            "brier" => brier(p).unwrap(),
            _ => log_loss(p).unwrap(),
        });
        case.check(&[(name, value)], &[]);
    }
}

fn bins(case: &Case) -> Bins {
    Bins::EqualWidth(case.number("bins") as usize)
}

#[test]
fn calibration_errors_equal_the_documentation() {
    let case = case(FILE, "torchmetrics");
    with(&case.numbers("p"), &case.flags("y"), None, |p| {
        let gaps = calibration_error(&reliability(p, bins(&case), 0.95)).unwrap();
        case.check(
            &[
                ("l1", gaps.expected),
                ("l2", gaps.root_mean_square),
                ("max", gaps.maximum),
            ],
            &[],
        );
    });
}

#[test]
fn reliability_bins_equal_the_documentation() {
    let case = case(FILE, "sklearn_doc_calibration_curve");
    with(&case.numbers("p"), &case.flags("y"), None, |p| {
        let found = reliability(p, bins(&case), 0.95);
        assert_eq!(found.len(), 3);
        case.check(
            &[
                ("prob_true_1", found[0].observed.value),
                ("prob_true_2", found[1].observed.value),
                ("prob_true_3", found[2].observed.value),
                ("prob_pred_1", found[0].mean_probability),
                ("prob_pred_2", found[1].mean_probability),
                ("prob_pred_3", found[2].mean_probability),
            ],
            &[],
        );
    });
}

/// The likelihood of these data is so flat that where the print stopped shows in its fourth decimal.
const OF_FLAT_LIKELIHOOD: f64 = 1e-6;

#[test]
fn the_fit_to_the_remission_data_and_its_hosmer_lemeshow_test_equal_the_print() {
    let case = case(FILE, "hosmer_lemeshow");
    let terms = ["cell", "li", "temp"].map(|t| column("remission.csv", t));
    let outcome = column("remission.csv", "remission");
    let x = Array2::from_shape_fn((outcome.len(), 3), |(i, j)| terms[j][i]);
    let labels: Vec<usize> = outcome.iter().map(|&y| y as usize).collect();
    let mut rows = Softmax::new(x.view(), &labels, &vec![1.0; labels.len()], 2);
    let coefficients = rows.fit(0.0, None).unwrap().coefficients;
    let covariance = rows.binary_covariance(&coefficients).unwrap();
    let slope = |j: usize| coefficients.slopes[(1, j)] - coefficients.slopes[(0, j)];
    let intercept = coefficients.intercepts[1] - coefficients.intercepts[0];
    let se = |j: usize| covariance[(j, j)].sqrt();
    let p: Vec<f64> = x
        .rows()
        .into_iter()
        .map(|row| {
            let eta: f64 = (0..3).map(|j| slope(j) * row[j]).sum();
            1.0 / (1.0 + (-(intercept + eta)).exp())
        })
        .collect();
    let y: Vec<bool> = outcome.iter().map(|&y| y > 0.5).collect();
    with(&p, &y, None, |probabilities| {
        let source = ProbabilitySource::SamePatches;
        let test = hosmer_lemeshow(probabilities, 10, source).unwrap();
        let expected = case.numbers("group_expected");
        for (i, group) in test.groups.iter().enumerate() {
            assert_eq!(group.patches as f64, case.numbers("group_sizes")[i]);
            assert_eq!(group.observed, case.numbers("group_events")[i]);
            assert!((group.expected - expected[i]).abs() < 1e-5);
        }
        let deviance = 2.0 * outcome.len() as f64 * log_loss(probabilities).unwrap();
        case.check_within(
            &[
                ("coef_intercept", intercept),
                ("coef_cell", slope(0)),
                ("coef_li", slope(1)),
                ("coef_temp", slope(2)),
                ("se_intercept", se(3)),
                ("se_cell", se(0)),
                ("se_li", se(1)),
                ("se_temp", se(2)),
                ("minus2loglik", deviance),
                ("hl_df", test.degrees as f64),
                ("hl_chi2", test.chi_square),
                ("hl_p", test.p_value),
            ],
            &[],
            OF_FLAT_LIKELIHOOD,
        );
        let from_elsewhere = ProbabilitySource::OtherPatches;
        let other = hosmer_lemeshow(probabilities, 10, from_elsewhere).unwrap();
        assert_eq!(other.degrees, 9);
    });
}
