//! Partial verification: Drum & Christacopoulos 1972, Begg & Greenes 1983 (Biometrics 39:207),
//! Altman & Bland 1994 (BMJ 308:1552, 309:102); hand cases in exact fractions.

use super::{Case, case};
use boneglow::evaluation::TwoByTwo;
use boneglow::evaluation::verification::{
    CheckCell, CheckedPatch, begg_greenes, cells, estimates, naive, sensitivity,
};
use boneglow::numeric::normal_quantile;

const FILE: &str = "verification_bias.json";

fn cell(decided_positive: bool, counts: &[f64]) -> CheckCell {
    CheckCell {
        decided_positive,
        checked_positive: counts[0],
        checked_other: counts[1],
        unchecked: counts[2],
    }
}

fn liver_scans(case: &Case) -> Vec<CheckCell> {
    [(true, "test_pos"), (false, "test_neg")]
        .map(|(decided, side)| {
            let count = |what: &str| case.number(&format!("{side}_{what}"));
            cell(
                decided,
                &[count("disease"), count("healthy"), count("unverified")],
            )
        })
        .to_vec()
}

#[test]
fn liver_scans_are_corrected_as_published() {
    let case = case(FILE, "drum_christacopoulos");
    let cells = liver_scans(&case);
    let (plain, corrected) = (naive(&cells), begg_greenes(&cells));
    let (recall, alarms) = (
        corrected.recall.unwrap(),
        corrected.false_alarm_rate.unwrap(),
    );
    let z = normal_quantile(0.975);
    let specificity = 1.0 - alarms.value;
    let checked = |at: usize| cells[at].checked_positive + cells[at].checked_other;
    let share = |at: usize| checked(at) / (checked(at) + cells[at].unchecked);
    case.check(
        &[
            ("naive_sensitivity", plain.recall.unwrap().value),
            (
                "naive_specificity",
                1.0 - plain.false_alarm_rate.unwrap().value,
            ),
            ("corrected_sensitivity", recall.value),
            ("corrected_specificity", specificity),
            ("corrected_prevalence", corrected.prevalence.unwrap()),
            ("ppv", cells[0].checked_positive / checked(0)),
            ("npv", cells[1].checked_other / checked(1)),
            ("se_corrected_sensitivity", recall.standard_error),
            ("se_corrected_specificity", alarms.standard_error),
            ("verified_positive_fraction", share(0)),
            ("verified_negative_fraction", share(1)),
            (
                "wald_low_sensitivity",
                recall.value - z * recall.standard_error,
            ),
            (
                "wald_high_sensitivity",
                recall.value + z * recall.standard_error,
            ),
            (
                "wald_low_specificity",
                specificity - z * alarms.standard_error,
            ),
            (
                "wald_high_specificity",
                specificity + z * alarms.standard_error,
            ),
        ],
        &[],
    );
}

/// Checks that depend on the decision alone: weighting and correction are then the same estimate.
#[test]
fn weighting_by_the_share_checked_equals_the_correction() {
    let cells_of_file = liver_scans(&case(FILE, "drum_christacopoulos"));
    let mut patches = Vec::new();
    for cell in &cells_of_file {
        let checked = cell.checked_positive + cell.checked_other;
        for (truth, count) in [
            (Some(true), cell.checked_positive),
            (Some(false), cell.checked_other),
            (None, cell.unchecked),
        ] {
            patches.extend(vec![
                CheckedPatch {
                    decided_positive: cell.decided_positive,
                    truth,
                    stratum: 0,
                    inclusion_probability: checked / (checked + cell.unchecked),
                };
                count as usize
            ]);
        }
    }
    let [_, weighted, corrected] = estimates(&patches).unwrap();
    for (one, other) in [
        (weighted.recall, corrected.recall),
        (weighted.false_alarm_rate, corrected.false_alarm_rate),
    ] {
        assert!((one.unwrap().value - other.unwrap().value).abs() < 1e-12);
    }
    assert_eq!(cells(&patches).unwrap().len(), 2);
}

#[test]
fn two_strata_are_corrected_as_by_hand() {
    let case = case(FILE, "two_strata");
    let strata: Vec<CheckCell> = case
        .rows("strata")
        .iter()
        .flat_map(|row| [cell(true, &row[..3]), cell(false, &row[3..])])
        .collect();
    let (plain, corrected) = (naive(&strata), begg_greenes(&strata));
    let rates = (
        corrected.recall.unwrap().value,
        corrected.false_alarm_rate.unwrap().value,
    );
    case.check(
        &[
            ("corrected_sensitivity", rates.0),
            ("corrected_specificity", 1.0 - rates.1),
            ("prevalence", corrected.prevalence.unwrap()),
            ("naive_sensitivity", plain.recall.unwrap().value),
            (
                "naive_specificity",
                1.0 - plain.false_alarm_rate.unwrap().value,
            ),
        ],
        &[],
    );
    let cases = sensitivity(&strata, &[0.0, 1.0, 4.0]);
    assert!((cases[1].recall - rates.0).abs() < 1e-12);
    assert!((cases[1].false_alarm_rate - rates.1).abs() < 1e-12);
    assert_eq!(cases[0].recall, plain.recall.unwrap().value);
    assert!(cases[2].recall < cases[1].recall);
}

#[test]
fn predictive_values_move_with_the_prevalence_as_altman_and_bland_say() {
    let case = case(FILE, "altman_bland");
    let table = TwoByTwo {
        true_positive: case.number("tp"),
        false_negative: case.number("fn"),
        false_positive: case.number("fp"),
        true_negative: case.number("tn"),
    };
    let other = case.number("other_prevalence");
    case.check(
        &[
            ("sensitivity", table.recall().unwrap()),
            ("specificity", table.specificity().unwrap()),
            ("ppv", table.precision().unwrap()),
            ("npv", table.negative_predictive_value().unwrap()),
            ("prevalence", table.prevalence().unwrap()),
            (
                "ppv_at_other_prevalence",
                table.precision_at(other).unwrap(),
            ),
            (
                "npv_at_other_prevalence",
                table.negative_predictive_value_at(other).unwrap(),
            ),
            (
                "positive_likelihood_ratio",
                table.positive_likelihood_ratio().unwrap(),
            ),
            (
                "negative_likelihood_ratio",
                table.negative_likelihood_ratio().unwrap(),
            ),
        ],
        &[],
    );
}
