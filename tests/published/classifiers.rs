//! Classifiers against reference values of independent software and of the literature.

use crate::data;
use boneglow::classify::{
    Classifier, Coefficients, CovarianceShape, Fitted, Method, Model, Novelty,
    ProbabilityCalibration, Settings, Softmax, Standardizer, Terms, adjust_prior,
};
use boneglow::features::Dataset;
use boneglow::files::Table;
use ndarray::{Array2, ArrayView1, Axis, s};
use serde_json::Value;

fn columns(file: &str, names: &[&str]) -> Array2<f64> {
    let table = Table::read(&data(file)).unwrap();
    let cells = table.rows().flat_map(|row| {
        let numbers = names.iter().map(|n| row.number(n).unwrap());
        numbers.collect::<Vec<f64>>()
    });
    Array2::from_shape_vec((table.len(), names.len()), cells.collect()).unwrap()
}

/// A table of measurements with the class in its last column.
pub fn dataset(file: &str) -> Dataset {
    let table = Table::read(&data(file)).unwrap();
    let (label, names) = table.header().split_last().unwrap();
    let names: Vec<&str> = names.iter().map(String::as_str).collect();
    let labels: Vec<&str> = table.rows().map(|r| r.text(label).unwrap()).collect();
    let mut classes: Vec<String> = labels.iter().map(|l| l.to_string()).collect();
    classes.sort();
    classes.dedup();
    let n = labels.len();
    Dataset {
        ids: (1..=n).map(|i| i.to_string()).collect(),
        features: columns(file, &names),
        feature_names: names.iter().map(|n| n.to_string()).collect(),
        covariance: vec![[[0.0; 3]; 3]; n],
        labels: labels
            .iter()
            .map(|l| classes.iter().position(|c| c == l).unwrap())
            .collect(),
        positive: (0..classes.len()).map(|c| c == 0).collect(),
        classes,
        groups: vec![0; n],
        group_names: vec!["all".into()],
        weights: vec![1.0; n],
    }
}

/// The expected entries of one case: name, reference, tolerance.
fn expected(file: &str, id: &str) -> Vec<(String, Value, f64)> {
    let text = std::fs::read(data(file)).unwrap();
    let content: Value = serde_json::from_slice(&text).unwrap();
    let cases = content["cases"].as_array().unwrap();
    let case = cases.iter().find(|c| c["id"] == id).unwrap();
    let entries = case["expected"].as_array().unwrap().iter();
    entries
        .map(|e| {
            let name = e["name"].as_str().unwrap().to_string();
            (name, e["reference"].clone(), e["abs_tol"].as_f64().unwrap())
        })
        .collect()
}

fn compare(id: &str, name: &str, found: f64, reference: f64, tolerance: f64) {
    assert!(
        (found - reference).abs() <= tolerance,
        "{id}, {name}: found {found}, expected {reference} within {tolerance}"
    );
}

fn decision(row: ArrayView1<'_, f64>) -> usize {
    (0..row.len())
        .max_by(|a, b| row[*a].total_cmp(&row[*b]))
        .unwrap()
}

fn confusion(labels: &[usize], probabilities: &Array2<f64>) -> Value {
    let classes = probabilities.ncols();
    let mut counts = vec![vec![0_u64; classes]; classes];
    for (&label, row) in labels.iter().zip(probabilities.rows()) {
        counts[label][decision(row)] += 1;
    }
    serde_json::to_value(counts).unwrap()
}

fn errors(labels: &[usize], probabilities: &Array2<f64>) -> usize {
    let rows = labels.iter().zip(probabilities.rows());
    rows.filter(|(label, row)| decision(*row) != **label)
        .count()
}

fn leave_one_out(data: &Dataset, fit: impl Fn(&Dataset) -> Fitted) -> Array2<f64> {
    let mut probabilities = Array2::zeros((data.len(), data.classes.len()));
    for left_out in 0..data.len() {
        let rest: Vec<usize> = (0..data.len()).filter(|i| *i != left_out).collect();
        let row = data.features.slice(s![left_out..=left_out, ..]);
        let p = fit(&data.select(&rest)).probabilities(row);
        probabilities.row_mut(left_out).assign(&p.row(0));
    }
    probabilities
}

const LINEAR: Settings = Settings::Discriminant(CovarianceShape {
    own: 0.0,
    round: 0.0,
});

/// Reference probabilities are given to 1e-6: the two programs behind them agree to 6e-7.
const LOGISTIC_TOLERANCE: f64 = 1e-6;

const NULL_TOLERANCE: f64 = 2e-8;

#[test]
fn ridge_logistic_regression_equals_the_reference_probabilities() {
    for (file, name, strength) in [
        ("iris.csv", "iris_std_C1", 1.0),
        ("iris.csv", "iris_std_C100", 100.0),
        ("wine.csv", "wine_std_C1", 1.0),
    ] {
        let data = dataset(file);
        let settings = Settings::Logistic {
            terms: Terms::Linear,
            strength,
        };
        let fitted = Method::Logistic
            .fit(&data, &data.weights, &settings, 1)
            .unwrap();
        let found = fitted.probabilities(data.features.view());
        let reference = columns(
            &format!("logreg_probabilities_{name}.csv"),
            &["p0", "p1", "p2"],
        );
        for (found, reference) in found.iter().zip(&reference) {
            compare(name, "p", *found, *reference, LOGISTIC_TOLERANCE);
        }
    }
}

fn softmax(logits: &Array2<f64>) -> Array2<f64> {
    let powers = logits.mapv(f64::exp);
    let sums = powers.sum_axis(Axis(1)).insert_axis(Axis(1));
    powers / sums
}

#[test]
fn ridge_logistic_regression_equals_the_reference_coefficients() {
    for (file, name, strength, standardized) in [
        ("iris.csv", "iris_raw_C1", 1.0, false),
        ("iris.csv", "iris_std_C1", 1.0, true),
        ("iris.csv", "iris_std_C100", 100.0, true),
        ("wine.csv", "wine_std_C1", 1.0, true),
    ] {
        let data = dataset(file);
        let mut x = data.features.clone();
        if standardized {
            x = Standardizer::fit(x.view(), &data.weights).apply(x.view());
        }
        let mut rows = Softmax::new(x.view(), &data.labels, &data.weights, 3);
        let optimum = rows.fit(1.0 / strength, None).unwrap();
        let Coefficients { slopes, intercepts } = &optimum.coefficients;
        let logits = x.dot(&slopes.t()) + &ndarray::Array1::from(intercepts.clone());
        let file = format!("logreg_probabilities_{name}.csv");
        let reference = columns(&file, &["p0", "p1", "p2"]);
        for (found, reference) in softmax(&logits).iter().zip(&reference) {
            compare(name, "p", *found, *reference, LOGISTIC_TOLERANCE);
        }
        let id = format!("logreg_l2_{name}");
        for (entry, reference, tolerance) in expected("classification_reference.json", &id) {
            let parts: Vec<&str> = entry.split('_').collect();
            let index = |i: usize| parts[i].parse::<usize>().unwrap();
            let found = match parts[0] {
                "coef" => slopes[(index(1), index(2))],
                "intercept" => intercepts[index(1)],
                // The reference multiplies the likelihood by C where we divide the ridge by it.
                "objective" => strength * optimum.objective,
                "mean" => optimum.negative_log_likelihood / data.len() as f64,
                "training" => errors(&data.labels, &logits) as f64,
                "confusion" => {
                    assert_eq!(confusion(&data.labels, &logits), reference, "{id}");
                    continue;
                }
                _ => panic!("{id}: {entry} is not checked"),
            };
            compare(&id, &entry, found, reference.as_f64().unwrap(), tolerance);
        }
        assert!(optimum.gradient < 1e-9);
    }
}

/// Hosmer and Lemeshow 1989 tables 1.3 and 1.4; Dalal, Fowlkes and Hoadley 1989, J. Am. Stat. Assoc.
/// 84:945; Pregibon 1981, Ann. Stat. 9:705 (values from memory, recomputed by two programs).
#[test]
fn without_a_ridge_the_fit_is_that_of_maximum_likelihood() {
    let same = |x: f64| x;
    type Example<'a> = (
        &'a str,
        &'a str,
        &'a str,
        &'a [&'a str],
        &'a [&'a str],
        fn(f64) -> f64,
    );
    let examples: [Example<'_>; 3] = [
        ("chd_on_age", "chd_age.csv", "chd", &["age"], &["age"], same),
        (
            "oring_distress_on_temperature",
            "oring.csv",
            "distress",
            &["temperature_f"],
            &["temperature_f"],
            same,
        ),
        (
            "vasoconstriction",
            "vaso.csv",
            "response",
            &["volume", "rate"],
            &["ln_volume", "ln_rate"],
            f64::ln,
        ),
    ];
    for (id, file, response, names, terms, transform) in examples {
        let x = columns(file, names).mapv_into(transform);
        let labels: Vec<usize> = columns(file, &[response])
            .iter()
            .map(|y| *y as usize)
            .collect();
        let weights = vec![1.0; labels.len()];
        let fit = |x: &Array2<f64>| {
            let mut rows = Softmax::new(x.view(), &labels, &weights, 2);
            let optimum = rows.fit(0.0, None).unwrap();
            let covariance = rows.binary_covariance(&optimum.coefficients).unwrap();
            (optimum, covariance)
        };
        let (optimum, covariance) = fit(&x);
        let (null, _) = fit(&Array2::zeros((labels.len(), 0)));
        let Coefficients { slopes, intercepts } = &optimum.coefficients;
        let intercept = intercepts[1] - intercepts[0];
        let slope = |j: usize| slopes[(1, j)] - slopes[(0, j)];
        let term = |name: &str| match name {
            "intercept" => terms.len(),
            _ => terms
                .iter()
                .position(|t| *t == name)
                .unwrap_or_else(|| panic!("{id}: {name}")),
        };
        let loss = optimum.negative_log_likelihood;
        let null_loss = null.negative_log_likelihood;
        let ones = labels.iter().sum::<usize>() as f64;
        let zeros = labels.len() as f64 - ones;
        let share = ones / (ones + zeros);
        let exact = -(ones * share.ln() + zeros * (1.0 - share).ln());
        assert!((null_loss - exact).abs() < 1e-9);
        for (entry, reference, tolerance) in expected("logistic_ml.json", id) {
            let found = match entry.as_str() {
                "loglik" => -loss,
                "null_loglik" => -null_loss,
                "lr_statistic" => 2.0 * (null_loss - loss),
                "deviance" => 2.0 * loss,
                "null_deviance" => 2.0 * null_loss,
                "probability_at_31F" => 1.0 / (1.0 + (-(intercept + 31.0 * slope(0))).exp()),
                "coef_intercept" => intercept,
                "cov_intercept_intercept" => covariance[(1, 1)],
                "cov_intercept_age" => covariance[(0, 1)],
                "cov_age_age" => covariance[(0, 0)],
                other => match other.split_once('_') {
                    Some(("coef", name)) => slope(term(name)),
                    Some(("se", name)) => covariance[(term(name), term(name))].sqrt(),
                    _ => panic!("{id}: {other} is not checked"),
                },
            };
            // The file's null likelihood of the first example lies 1.4e-8 above its closed form.
            let tolerance = tolerance.max(NULL_TOLERANCE);
            compare(id, &entry, found, reference.as_f64().unwrap(), tolerance);
        }
    }
}

/// Divisor n - g of the pooled covariance; a program with divisor n differs by up to 0.0045.
#[test]
fn linear_discriminant_posteriors_of_iris_equal_the_reference() {
    let data = dataset("iris.csv");
    let fitted = Method::Discriminant
        .fit(&data, &data.weights, &LINEAR, 1)
        .unwrap();
    let found = fitted.probabilities(data.features.view());
    let reference = columns(
        "iris_lda_posteriors.csv",
        &["setosa", "versicolor", "virginica"],
    );
    for (found, reference) in found.iter().zip(&reference) {
        compare("iris", "posterior", *found, *reference, 1e-8);
    }
    for (name, reference, _) in expected("classification_reference.json", "iris_lda_resubstitution")
    {
        match name.as_str() {
            "confusion_rows_true" => assert_eq!(confusion(&data.labels, &found), reference),
            "misclassified" => assert_eq!(errors(&data.labels, &found), 3),
            // Axes of a projection, which classification does not need.
            other => assert!(other.starts_with("ld1_"), "{other} is not checked"),
        }
    }
}

#[test]
fn leave_one_out_errors_of_linear_discriminants_equal_the_reference() {
    for (file, id, wrong) in [
        ("iris.csv", "iris_lda_leave_one_out", 3),
        ("wine.csv", "wine_lda_leave_one_out", 2),
    ] {
        let data = dataset(file);
        let found = leave_one_out(&data, |rest| {
            Method::Discriminant
                .fit(rest, &rest.weights, &LINEAR, 1)
                .unwrap()
        });
        assert_eq!(errors(&data.labels, &found), wrong, "{id}");
        for (name, reference, tolerance) in expected("classification_reference.json", id) {
            match name.as_str() {
                "confusion_rows_true" => assert_eq!(confusion(&data.labels, &found), reference),
                "misclassified" => assert_eq!(reference, wrong),
                "accuracy_percent" => {
                    let accuracy = 100.0 * (1.0 - wrong as f64 / data.len() as f64);
                    compare(id, &name, accuracy, reference.as_f64().unwrap(), tolerance);
                }
                other => panic!("{other} is not checked"),
            }
        }
    }
}

#[test]
fn no_wine_is_misclassified_by_the_discriminant_fitted_to_all() {
    let data = dataset("wine.csv");
    let fitted = Method::Discriminant
        .fit(&data, &data.weights, &LINEAR, 1)
        .unwrap();
    let found = fitted.probabilities(data.features.view());
    for (name, reference, _) in expected("classification_reference.json", "wine_lda_resubstitution")
    {
        match name.as_str() {
            "confusion_rows_true" => assert_eq!(confusion(&data.labels, &found), reference),
            "misclassified" => assert_eq!(errors(&data.labels, &found), 0),
            other => panic!("{other} is not checked"),
        }
    }
}

/// Fisher 1936, Ann. Eugenics 7:179-188: the compound that parts two species. The logit of a linear
/// discriminant is linear with the same ratios of coefficients.
#[test]
fn the_discriminant_of_two_species_is_fishers_compound() {
    let all = dataset("iris.csv");
    let rows: Vec<usize> = (0..150).filter(|i| all.labels[*i] < 2).collect();
    let mut data = all.select(&rows);
    data.classes.truncate(2);
    data.positive.truncate(2);
    let fitted = Method::Discriminant
        .fit(&data, &data.weights, &LINEAR, 1)
        .unwrap();
    let middle = data.features.mean_axis(Axis(0)).unwrap();
    let logit = |moved: usize, by: f64| {
        let mut x = middle.clone().insert_axis(Axis(0));
        x[(0, moved)] += by;
        let p = fitted.probabilities(x.view());
        (p[(0, 0)] / p[(0, 1)]).ln()
    };
    let slopes: Vec<f64> = (0..4).map(|j| logit(j, 0.05) - logit(j, -0.05)).collect();
    for (name, reference, tolerance) in expected(
        "classification_reference.json",
        "iris_fisher_1936_two_species",
    ) {
        let reference = reference.as_f64().unwrap();
        let last = name.chars().last().unwrap().to_digit(10).unwrap() as usize - 1;
        let found = if name.starts_with("compound") {
            slopes[last] / slopes[0]
        } else if let Some(species) = name.strip_prefix("mean_") {
            let class = usize::from(species.starts_with("versicolor"));
            let of: Vec<f64> = (0..100)
                .filter(|i| data.labels[*i] == class)
                .map(|i| data.features[(i, last)])
                .collect();
            of.iter().sum::<f64>() / of.len() as f64
        } else {
            // Sums of squares within species are internal to the fit and tested there.
            assert!(name.starts_with("within_ss_"), "{name} is not checked");
            continue;
        };
        compare("Fisher", &name, found, reference, tolerance);
    }
}

#[test]
fn one_nearest_neighbor_errs_on_eight_wines() {
    let data = dataset("wine.csv");
    // The reference standardizes with the mean and deviation of the whole sample.
    let standardizer = Standardizer::fit(data.features.view(), &data.weights);
    let mut wrong = 0;
    for left_out in 0..data.len() {
        let rest: Vec<usize> = (0..data.len()).filter(|i| *i != left_out).collect();
        let mut part = data.select(&rest);
        // The fold standardizes once more, by all but one wine: no order of distances changes here.
        part.features = standardizer.apply(part.features.view());
        let query = standardizer.apply(data.features.slice(s![left_out..=left_out, ..]));
        let fitted = Method::Neighbours
            .fit(&part, &part.weights, &Settings::Neighbours { k: 1.0 }, 1)
            .unwrap();
        if decision(fitted.probabilities(query.view()).row(0)) != data.labels[left_out] {
            wrong += 1;
        }
    }
    for (name, reference, tolerance) in
        expected("classification_reference.json", "wine_1nn_leave_one_out_z")
    {
        let found = match name.as_str() {
            "misclassified" => f64::from(wrong),
            "accuracy_percent" => 100.0 * (1.0 - f64::from(wrong) / data.len() as f64),
            other => panic!("{other} is not checked"),
        };
        compare("wine", &name, found, reference.as_f64().unwrap(), tolerance);
    }
}

/// Saerens, Latinne and Decaestecker 2002; King and Zeng 2001, Polit. Anal. 9:137 eq. 7 (formulas;
/// hand cases in exact fractions).
#[test]
fn prior_shift_equals_the_hand_cases() {
    let text = std::fs::read(data("prior_shift.json")).unwrap();
    let content: Value = serde_json::from_slice(&text).unwrap();
    let list = |v: &Value| -> Vec<f64> {
        v.as_array()
            .unwrap()
            .iter()
            .map(|x| x.as_f64().unwrap())
            .collect()
    };
    let mut checked = 0;
    for case in content["cases"].as_array().unwrap() {
        let (id, inputs) = (case["id"].as_str().unwrap(), &case["inputs"]);
        let find = |name: &str| {
            let entries = case["expected"].as_array().unwrap();
            entries.iter().find(|e| e["name"] == name).unwrap()["reference"]
                .as_f64()
                .unwrap()
        };
        if id.starts_with("saerens_formula") {
            let mut p = ndarray::Array1::from(list(&inputs["posterior"])).insert_axis(Axis(0));
            adjust_prior(
                &mut p,
                &list(&inputs["training_prior"]),
                &list(&inputs["new_prior"]),
            );
            for k in 0..p.ncols() {
                compare(
                    id,
                    "posterior",
                    p[(0, k)],
                    find(&format!("posterior_{}", k + 1)),
                    1e-12,
                );
            }
            checked += 1;
        } else if id.starts_with("king_zeng") {
            let number = |key: &str| inputs[key].as_f64().unwrap();
            let (tau, ybar) = (
                number("tau_population_fraction"),
                number("ybar_sample_fraction"),
            );
            let before = number("sample_intercept");
            let positive = 1.0 / (1.0 + (-before).exp());
            let mut p = ndarray::array![[positive, 1.0 - positive]];
            adjust_prior(&mut p, &[ybar, 1.0 - ybar], &[tau, 1.0 - tau]);
            let after = (p[(0, 0)] / p[(0, 1)]).ln();
            compare(id, "intercept", after, find("corrected_intercept"), 1e-12);
            compare(
                id,
                "correction",
                before - after,
                find("correction_subtracted"),
                1e-12,
            );
            checked += 1;
        }
    }
    assert_eq!(
        checked, 5,
        "two formulas of Saerens, three of King and Zeng"
    );
}

#[test]
fn a_model_saved_and_read_gives_the_same_probabilities_at_the_fields_prior() {
    let mut data = dataset("iris.csv");
    data.features = data.features.slice(s![.., ..3]).to_owned();
    data.feature_names = ["u", "v", "log_luminance"].map(String::from).to_vec();
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("model.json");
    for method in Method::ALL {
        let fitted = method
            .fit(&data, &data.weights, &method.grid()[0], 1)
            .unwrap();
        let novelty = Novelty::fit(&data, &data.weights).unwrap();
        let halved = ProbabilityCalibration::Platt {
            slope: 0.5,
            intercept: 0.1,
        };
        let mut model = Model::new(&data, fitted, halved, novelty).unwrap();
        model.adjust_prior(0.01).unwrap();
        assert!((model.prior()[0] - 0.01).abs() < 1e-15);
        model.write(&path, Default::default()).unwrap();
        let back = Model::read(&path).unwrap();
        assert_eq!(
            model.probabilities(data.features.view()),
            back.probabilities(data.features.view()),
            "{method:?}"
        );
        assert_eq!(back.features_of(0.2, 0.5, -1.0), [0.2, 0.5, -1.0]);
    }
    assert!(Model::read(&folder.path().join("none.json")).is_err());
    std::fs::write(&path, "{}").unwrap();
    assert!(Model::read(&path).unwrap_err().is_input());
}
