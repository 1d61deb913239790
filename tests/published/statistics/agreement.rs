//! Agreement and scores of decisions: Cohen 1968, Fleiss 1981, Fagerland et al. 2013, Agresti 2002,
//! Chicco & Jurman 2020, Finley 1884 by way of Murphy 1996, scikit-learn's documentation.

use super::{Case, case, cases};
use boneglow::evaluation::{Confusion, Decision, McNemar, Truth, TwoByTwo, net_benefit};

const FILE: &str = "agreement_calibration.json";

fn table(rows: Vec<Vec<f64>>) -> Confusion {
    let counts: Vec<Vec<u64>> = rows
        .iter()
        .map(|row| row.iter().map(|&n| n as u64).collect())
        .collect();
    let labels = (0..counts.len()).map(|c| c.to_string()).collect();
    Confusion::from_counts(labels, counts).unwrap()
}

/// The confusion of two lists of labels of any JSON type.
fn table_of(case: &Case, truth: &str, decision: &str) -> Confusion {
    let read = |key: &str| -> Vec<String> {
        let all = case.inputs[key].as_array().unwrap();
        all.iter().map(|v| v.to_string()).collect()
    };
    let (truth, decision) = (read(truth), read(decision));
    let mut labels: Vec<String> = truth.iter().chain(&decision).cloned().collect();
    labels.sort();
    labels.dedup();
    let number = |label: &String| labels.iter().position(|l| l == label).unwrap();
    let truth: Vec<Truth> = truth.iter().map(|l| Truth(number(l))).collect();
    let decision: Vec<Decision> = decision.iter().map(|l| Decision(number(l))).collect();
    Confusion::of(labels.clone(), &truth, &decision, None).unwrap()
}

fn two_by_two(case: &Case, names: [&str; 4]) -> TwoByTwo {
    let [tp, missed, alarms, passed] = names.map(|name| case.number(name));
    TwoByTwo {
        true_positive: tp,
        false_negative: missed,
        false_positive: alarms,
        true_negative: passed,
    }
}

fn kappas(table: &Confusion) -> Vec<(&'static str, f64)> {
    let kappa = table.kappa().unwrap();
    let null_error = table.kappa_null_error().unwrap();
    let apart = |truth: usize, decision: usize| truth.abs_diff(decision) as f64;
    vec![
        ("kappa", kappa),
        ("se_null", null_error),
        ("se", table.kappa_standard_error().unwrap()),
        ("z", kappa / null_error),
        ("kappa_linear", table.kappa_weighted(apart).unwrap()),
        (
            "kappa_quadratic",
            table.kappa_weighted(|t, d| apart(t, d).powi(2)).unwrap(),
        ),
        ("p_observed", table.accuracy().unwrap()),
        ("p_expected", table.agreement_by_chance().unwrap()),
    ]
}

#[test]
fn kappas_equal_cohen_and_fleiss() {
    let cohen = case(FILE, "cohen_1968");
    let confusion = table(cohen.rows("table"));
    let costs = cohen.rows("disagreement_weights_for_kappa_weighted_cohen");
    let mut ours = kappas(&confusion);
    let weighted = confusion.kappa_weighted(|truth, decision| costs[truth][decision]);
    ours.push(("kappa_weighted_cohen", weighted.unwrap()));
    cohen.check(&ours, &[]);

    let fleiss = case(FILE, "fleiss_two_raters");
    fleiss.check(&kappas(&table(fleiss.rows("table"))), &[]);

    let documented = case(FILE, "sklearn_doc_kappa");
    let kappa = table_of(&documented, "y1", "y2").kappa().unwrap();
    documented.check(&[("kappa", kappa)], &[]);
}

#[test]
fn mcnemars_four_versions_equal_the_published_ones() {
    for case in cases(FILE, "mcnemar") {
        let rows = case.rows("table");
        let test = McNemar::of(rows[0][1] as u64, rows[1][0] as u64).unwrap();
        case.check(
            &[
                ("chi2", test.chi_square),
                ("p_asymptotic", test.p_asymptotic),
                ("chi2_continuity", test.chi_square_continuity),
                ("p_continuity", test.p_continuity),
                ("p_exact", test.p_exact),
                ("p_mid", test.p_mid),
            ],
            &[],
        );
    }
}

#[test]
fn matthews_tells_apart_what_accuracy_and_f_do_not() {
    for case in cases(FILE, "chicco_jurman") {
        let found = two_by_two(&case, ["tp", "fn", "fp", "tn"]);
        case.check(
            &[
                ("accuracy", found.accuracy().unwrap()),
                ("f1", found.f_beta(1.0).unwrap()),
                ("mcc", found.matthews().unwrap()),
            ],
            &[],
        );
    }
    let documented = case(FILE, "sklearn_doc_mcc");
    let confusion = table_of(&documented, "y_true", "y_pred");
    documented.check(&[("mcc", confusion.matthews().unwrap())], &[]);
}

#[test]
fn balanced_accuracy_and_f_equal_the_documentation() {
    let balanced = case(FILE, "sklearn_doc_balanced_accuracy");
    let confusion = table_of(&balanced, "y_true", "y_pred");
    balanced.check(
        &[("balanced_accuracy", confusion.balanced_accuracy().unwrap())],
        &[],
    );

    let three = case(FILE, "sklearn_doc_fbeta");
    let confusion = table_of(&three, "y_true", "y_pred");
    let beta = three.number("beta");
    let first = confusion.one_against_rest(0).f_beta(beta);
    three.check(
        &[
            ("fbeta_macro", confusion.f_beta_macro(beta).unwrap()),
            ("fbeta_micro", confusion.f_beta_micro(beta).unwrap()),
            ("fbeta_weighted", confusion.f_beta_weighted(beta).unwrap()),
            ("fbeta_class0", first.unwrap()),
            ("f1_macro", confusion.f_beta_macro(1.0).unwrap()),
            ("f1_micro", confusion.f_beta_micro(1.0).unwrap()),
        ],
        &[],
    );
}

#[test]
fn figures_of_the_iris_confusion_equal_the_reference() {
    let case = case(FILE, "iris_lda");
    let confusion = table(case.rows("table_rows_true"));
    case.check(
        &[
            ("accuracy", confusion.accuracy().unwrap()),
            ("kappa", confusion.kappa().unwrap()),
            ("mcc_multiclass", confusion.matthews().unwrap()),
            ("f1_macro", confusion.f_beta_macro(1.0).unwrap()),
            ("balanced_accuracy", confusion.balanced_accuracy().unwrap()),
        ],
        &[],
    );
}

#[test]
fn finleys_tornadoes_have_their_well_known_scores() {
    let case = case(FILE, "finley");
    let names = ["hits", "misses", "false_alarms", "correct_negatives"];
    let found = two_by_two(&case, names);
    let never = TwoByTwo {
        true_positive: 0.0,
        false_negative: found.positives(),
        false_positive: 0.0,
        true_negative: found.negatives(),
    };
    case.check(
        &[
            ("percent_correct", found.accuracy().unwrap()),
            ("percent_correct_never_forecast", never.accuracy().unwrap()),
            ("threat_score", found.threat_score().unwrap()),
            ("gilbert_skill", found.gilbert_skill().unwrap()),
            ("heidke_skill", found.kappa().unwrap()),
            ("peirce_skill_youden", found.youden().unwrap()),
            ("hit_rate", found.recall().unwrap()),
            ("false_alarm_ratio", 1.0 - found.precision().unwrap()),
            ("bias", found.bias().unwrap()),
            ("odds_ratio", found.odds_ratio().unwrap()),
            ("false_alarm_rate", found.false_alarm_rate().unwrap()),
            ("clayton_skill", found.clayton_skill().unwrap()),
        ],
        &[],
    );
    assert_eq!(never.precision(), None);
    assert_eq!(never.matthews(), None);
}

/// Vickers & Elkin 2006 (Med. Decis. Making 26:565); counts from a tutorial's data.
#[test]
fn net_benefits_equal_the_table() {
    let path = super::data("net_benefit_counts.csv");
    let counts = boneglow::files::Table::read(&path).unwrap();
    assert_eq!(counts.len(), 8);
    for row in counts.rows() {
        let number = |name: &str| row.number(name).unwrap();
        let found = TwoByTwo {
            true_positive: number("tp"),
            false_negative: number("events") - number("tp"),
            false_positive: number("fp"),
            true_negative: number("n") - number("events") - number("fp"),
        };
        let own = net_benefit::net_benefit(&found, number("threshold"), None).unwrap();
        let share = number("events") / number("n");
        let same = net_benefit::net_benefit(&found, number("threshold"), Some(share)).unwrap();
        assert!((own.model - number("net_benefit_model")).abs() < 1e-12);
        assert!((own.walk_to_all - number("net_benefit_treat_all")).abs() < 1e-12);
        assert!((own.walks_saved_per_100() - number("avoided_per_100")).abs() < 1e-9);
        assert!((same.model - own.model).abs() < 1e-12);
    }
}

/// Van Calster et al. 2018: what a gain in net benefit is worth.
#[test]
fn a_gain_in_net_benefit_reads_as_tests_per_detection() {
    let case = case(FILE, "van_calster");
    let (gain, threshold) = (case.number("delta_net_benefit"), case.number("threshold"));
    let (none, better) = [0.0, gain]
        .map(|model| net_benefit::NetBenefit {
            threshold,
            model,
            walk_to_all: 0.0,
        })
        .into();
    let saved = better.walks_saved_per_100() - none.walks_saved_per_100();
    case.check(
        &[
            ("prevalence", case.number("events") / case.number("n")),
            ("tests_per_extra_detection", 1.0 / gain),
            ("tests_per_avoided_biopsy", 100.0 / saved),
            ("extra_detections_per_100", 100.0 * gain),
        ],
        &[],
    );
}
