//! Prior shift: the formulas of Saerens, Latinne & Decaestecker 2002, Elkan 2001, King & Zeng 2001,
//! on hand cases in exact fractions.

use super::{Case, case, cases};
use boneglow::classify::adjust_prior;
use boneglow::evaluation::prior;
use ndarray::Array2;

const FILE: &str = "prior_shift.json";

fn check_named(case: &Case, name: &str, values: &[f64]) {
    let names: Vec<String> = (1..=values.len()).map(|i| format!("{name}_{i}")).collect();
    let ours: Vec<(&str, f64)> = names
        .iter()
        .map(String::as_str)
        .zip(values.iter().copied())
        .collect();
    case.check(
        &ours,
        &[
            "prior_after_1_iteration",
            "prior_after_2_iterations",
            "prior_converged",
        ],
    );
}

#[test]
fn posteriors_move_with_the_prior_by_the_formula() {
    for case in cases(FILE, "saerens_formula") {
        let (from, to) = (case.numbers("training_prior"), case.numbers("new_prior"));
        let mut moved = Array2::from_shape_vec((1, from.len()), case.numbers("posterior")).unwrap();
        adjust_prior(&mut moved, &from, &to);
        let moved: Vec<f64> = moved.iter().copied().collect();
        check_named(&case, "posterior", &moved);
    }
}

#[test]
fn the_prior_of_eight_cases_is_where_expectation_maximization_rests() {
    let case = case(FILE, "saerens_em");
    let p = case.numbers("posterior_class1");
    let training = case.number("training_prior_class1");
    let once = prior::em_step(&p, None, training, training);
    let twice = prior::em_step(&p, None, training, once);
    let rest = prior::estimate(&p, None, training).unwrap();
    let posteriors: Vec<String> = (1..=8)
        .map(|i| format!("posterior_converged_{i}"))
        .collect();
    let mut ours = vec![
        ("prior_after_1_iteration", once),
        ("prior_after_2_iterations", twice),
        ("prior_converged", rest),
    ];
    for (name, &p) in posteriors.iter().zip(&p) {
        ours.push((name, prior::shift_probability(p, training, rest)));
    }
    case.check(&ours, &[]);
    assert!((prior::em_step(&p, None, training, rest) - rest).abs() < 1e-9);
}

#[test]
fn rare_events_correct_the_intercept_and_the_weights() {
    for case in cases(FILE, "king_zeng") {
        let field = case.number("tau_population_fraction");
        let sample = case.number("ybar_sample_fraction");
        let change = prior::intercept_shift(sample, field);
        let (events, others) = prior::class_weights(sample, field).unwrap();
        case.check(
            &[
                ("correction_subtracted", -change),
                (
                    "corrected_intercept",
                    case.number("sample_intercept") + change,
                ),
                ("weight_events", events),
                ("weight_non_events", others),
            ],
            &[],
        );
    }
}
