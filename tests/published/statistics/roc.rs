//! Area under the curve and its relatives: Hanley & McNeil 1982 (Radiology 143:29), Robin et al.
//! 2011 with its package's test files, scikit-learn's documentation, Davis & Goadrich 2006.

use super::{Case, case, column};
use boneglow::evaluation::delong::{self, HanleyMcNeil};
use boneglow::evaluation::precision_recall::{self, precision_between};
use boneglow::evaluation::{Scores, roc};

const FILE: &str = "roc_pr.json";

#[test]
fn areas_of_the_rating_table_equal_hanley_and_mcneil() {
    let case = case(FILE, "hanley_mcneil");
    let mut ratings = (Vec::new(), Vec::new());
    for (key, abnormal) in [
        ("normal_counts_rating_1_to_5", false),
        ("abnormal_counts_rating_1_to_5", true),
    ] {
        for (rating, count) in case.numbers(key).into_iter().enumerate() {
            for _ in 0..count as usize {
                ratings.0.push(rating as f64 + 1.0);
                ratings.1.push(abnormal);
            }
        }
    }
    let scores = Scores::new(&ratings.0, &ratings.1).unwrap();
    let auc = roc::auc(&scores).unwrap();
    let (positives, others) = (
        scores.positive_weight() as usize,
        scores.negative_weight() as usize,
    );
    let exponential = HanleyMcNeil::from_auc(auc, positives, others).unwrap();
    let data = HanleyMcNeil::from_scores(&scores).unwrap();
    case.check(
        &[
            ("auc", auc),
            ("se_hanley_mcneil_exponential", exponential.standard_error),
            ("se_hanley_mcneil_from_data", data.standard_error),
            ("q1_from_data", data.q1),
            ("q2_from_data", data.q2),
            (
                "se_delong",
                delong::auc(&scores, 0.95).unwrap().standard_error,
            ),
        ],
        &[],
    );
}

fn patients(score: &str) -> (Vec<f64>, Vec<bool>) {
    let outcome = column("asah.csv", "poor_outcome");
    (
        column("asah.csv", score),
        outcome.iter().map(|&y| y > 0.5).collect(),
    )
}

fn check_patients(case: &Case, score: &str, elsewhere: &[&str]) {
    let (score, outcome) = patients(score);
    let scores = Scores::new(&score, &outcome).unwrap();
    let estimate = delong::auc(&scores, 0.95).unwrap();
    let part = roc::partial_auc(&scores, 0.1).unwrap();
    let youden = roc::youden(&scores).unwrap();
    let corner = roc::closest_to_corner(&scores).unwrap();
    let mut ours = vec![
        ("auc", roc::auc(&scores).unwrap()),
        ("delong_ci_low", estimate.auc.low),
        ("delong_ci_high", estimate.auc.high),
        ("delong_se", estimate.standard_error),
        ("partial_auc_specificity_1_to_0.9", part.area),
        (
            "partial_auc_specificity_1_to_0.9_mcclish",
            part.standardized,
        ),
        ("mcclish_from_sklearn_max_fpr_0.1", part.standardized),
        (
            "partial_auc_sensitivity_1_to_0.9",
            roc::partial_auc_of_high_recall(&scores, 0.9).unwrap().area,
        ),
        ("youden_threshold", youden.cut),
        ("youden_sensitivity", youden.recall),
        ("youden_specificity", 1.0 - youden.false_alarm_rate),
        ("youden_index", youden.recall - youden.false_alarm_rate),
        ("closest_topleft_threshold", corner.cut),
        ("closest_topleft_sensitivity", corner.recall),
        ("closest_topleft_specificity", 1.0 - corner.false_alarm_rate),
        (
            "average_precision",
            precision_recall::average_precision(&scores).unwrap(),
        ),
    ];
    ours.retain(|(name, _)| !elsewhere.contains(name));
    case.check(&ours, elsewhere);
}

#[test]
fn areas_parts_and_cuts_of_the_patients_equal_two_packages() {
    check_patients(&case(FILE, "asah_s100b"), "s100b", &[]);
    check_patients(&case(FILE, "asah_wfns"), "wfns", &[]);
}

#[test]
fn paired_areas_differ_as_delong_says() {
    for other in ["wfns", "ndka"] {
        let case = case(FILE, &format!("asah_delong_s100b_vs_{other}"));
        let (first, outcome) = patients("s100b");
        let (second, _) = patients(other);
        let one = Scores::new(&first, &outcome).unwrap();
        let two = Scores::new(&second, &outcome).unwrap();
        let found = delong::paired(&one, &two, 0.95).unwrap().unwrap();
        case.check(
            &[
                ("z", found.z.unwrap()),
                ("p_two_sided", found.p_value.unwrap()),
                ("covariance", found.covariance),
                ("difference", found.difference.value),
                ("ci_low", found.difference.low),
                ("ci_high", found.difference.high),
            ],
            &[],
        );
    }
}

#[test]
fn curves_of_four_points_equal_the_documentation() {
    let case = case(FILE, "sklearn_doc_four_points");
    let (score, outcome) = (case.numbers("score"), case.flags("y"));
    let scores = Scores::new(&score, &outcome).unwrap();
    let lists = [
        "pr_precision",
        "pr_recall",
        "pr_thresholds",
        "roc_fpr",
        "roc_tpr",
    ];
    case.check(
        &[
            (
                "average_precision",
                precision_recall::average_precision(&scores).unwrap(),
            ),
            ("roc_auc", roc::auc(&scores).unwrap()),
        ],
        &lists,
    );
    let curve = roc::curve(&scores).unwrap();
    let rates: Vec<f64> = curve.iter().map(|p| p.false_alarm_rate).collect();
    let recalls: Vec<f64> = curve.iter().map(|p| p.recall).collect();
    assert_eq!(rates, case.list("roc_fpr"));
    assert_eq!(recalls, case.list("roc_tpr"));
    // The reference runs by rising cut and ends in a point (1, 0) that no cut reaches; ours falls.
    let points = precision_recall::curve(&scores).unwrap();
    for (list, ours) in [
        ("pr_precision", points.iter().map(|p| p.precision).collect()),
        ("pr_recall", points.iter().map(|p| p.recall).collect()),
        (
            "pr_thresholds",
            points.iter().map(|p| p.cut).collect::<Vec<_>>(),
        ),
    ] {
        let reference = case.list(list);
        for (place, value) in ours.iter().rev().enumerate() {
            assert!((value - reference[place]).abs() < 1e-12, "{list} {place}");
        }
    }
}

#[test]
fn precision_between_two_points_falls_as_davis_and_goadrich_say() {
    let case = case(FILE, "davis_goadrich");
    let from = (case.number("tp_a"), case.number("fp_a"));
    let to = (case.number("tp_b"), case.number("fp_b"));
    let names: Vec<(String, String)> = (5..=10)
        .map(|tp| (format!("precision_tp_{tp}"), format!("recall_tp_{tp}")))
        .collect();
    let mut ours = Vec::new();
    for (tp, (precision, recall)) in (5..=10).zip(&names) {
        let hits = f64::from(tp);
        ours.push((
            precision.as_str(),
            precision_between(from, to, hits).unwrap(),
        ));
        ours.push((recall.as_str(), hits / case.number("positives")));
    }
    case.check(&ours, &[]);
}
