//! What every classifier promises, tested on all of them.

use super::*;
use crate::features::Dataset;
use crate::numeric::stream;
use ndarray::{Array2, Axis, s};
use rand::Rng;

/// Four overlapping classes in u', v', log luminance; the last, `opal`, in group `d` only.
fn season(patches: usize, seed: u64) -> Dataset {
    let mut rng = stream(seed, "contract", 0);
    let mut normal = || {
        (0..12)
            .map(|_| f64::from(rng.next_u32()) / 4_294_967_296.0)
            .sum::<f64>()
            - 6.0
    };
    let centers = [
        [0.20, 0.50, -0.8],
        [0.23, 0.47, -1.1],
        [0.18, 0.52, -1.4],
        [0.26, 0.53, -0.5],
    ];
    let labels: Vec<usize> = (0..patches)
        .map(|i| if i % 4 == 3 { i % 4 } else { i % 3 })
        .collect();
    let features = Array2::from_shape_fn((patches, 3), |(i, j)| {
        centers[labels[i]][j] + [0.02, 0.02, 0.3][j] * normal()
    });
    Dataset {
        ids: (0..patches).map(|i| format!("p{i}")).collect(),
        feature_names: ["u", "v", "log_luminance"].map(String::from).to_vec(),
        features,
        covariance: vec![[[0.0; 3]; 3]; patches],
        groups: labels
            .iter()
            .enumerate()
            .map(|(i, l)| if *l == 3 { 3 } else { i % 3 })
            .collect(),
        labels,
        classes: ["bone", "calcite", "lichen", "opal"]
            .map(String::from)
            .to_vec(),
        positive: vec![true, false, false, false],
        group_names: ["a", "b", "c", "d"].map(String::from).to_vec(),
        weights: (0..patches)
            .map(|i| if i % 5 == 0 { 3.0 } else { 0.5 })
            .collect(),
    }
}

/// The middle of a method's grid, so that nothing is at an extreme.
fn usual(method: Method) -> Settings {
    let grid = method.grid();
    grid[grid.len() / 2]
}

fn fit(method: Method, data: &Dataset) -> Fitted {
    method
        .fit(data, &training_weights(data, false), &usual(method), 7)
        .unwrap()
}

fn largest_difference(a: &Array2<f64>, b: &Array2<f64>) -> f64 {
    (a - b).iter().fold(0.0, |m, d| m.max(d.abs()))
}

fn on_threads<T: Send>(threads: usize, work: impl FnOnce() -> T + Send) -> T {
    let pool = rayon::ThreadPoolBuilder::new().num_threads(threads);
    pool.build().unwrap().install(work)
}

#[test]
fn rows_sum_to_one_and_lie_between_zero_and_one() {
    let data = season(240, 1);
    for method in Method::ALL {
        for settings in method.grid() {
            let weights = training_weights(&data, true);
            let fitted = method.fit(&data, &weights, &settings, 1).unwrap();
            let p = fitted.probabilities(data.features.view());
            assert_eq!(p.dim(), (240, 4));
            for row in p.rows() {
                assert!((row.sum() - 1.0).abs() < 1e-12, "{settings:?}: {row}");
                assert!(row.iter().all(|p| (0.0..=1.0).contains(p)), "{settings:?}");
            }
        }
    }
}

#[test]
fn the_same_seed_gives_the_same_model_on_any_number_of_threads() {
    let data = season(240, 2);
    for method in Method::ALL {
        let one = on_threads(1, || fit(method, &data));
        let two = on_threads(2, || fit(method, &data));
        assert_eq!(
            serde_json::to_string(&one).unwrap(),
            serde_json::to_string(&two).unwrap(),
            "{method:?}"
        );
    }
}

#[test]
fn trials_do_not_depend_on_threads_and_equal_fits() {
    let data = season(240, 3);
    let held_out = season(60, 4).features;
    let weights = training_weights(&data, false);
    for method in Method::ALL {
        let grid = method.grid();
        let trial = || {
            method
                .trial(&data, &weights, &grid, held_out.view(), 5, None)
                .unwrap()
        };
        let one = on_threads(1, trial);
        assert_eq!(one, on_threads(2, trial), "{method:?}");
        for (settings, p) in grid.iter().zip(&one) {
            if method == Method::Forest {
                continue; // a trial forest has fewer trees; its trees are compared in growth.rs
            }
            let fitted = method.fit(&data, &weights, settings, 5).unwrap();
            let difference = largest_difference(p, &fitted.probabilities(held_out.view()));
            assert!(difference < 1e-6, "{settings:?}: {difference:e}");
        }
    }
}

#[test]
fn a_warm_start_changes_nothing_that_can_be_seen() {
    let data = season(240, 5);
    let rows: Vec<usize> = (0..240).filter(|i| data.groups[*i] != 1).collect();
    let part = data.select(&rows);
    let weights = training_weights(&part, false);
    for method in Method::ALL {
        let grid = method.grid();
        let start = method
            .warm_start(&data, &training_weights(&data, false), &grid)
            .unwrap();
        let trial = |start| {
            method
                .trial(&part, &weights, &grid, data.features.view(), 1, start)
                .unwrap()
        };
        for (cold, warm) in trial(None).iter().zip(&trial(Some(&start))) {
            assert!(largest_difference(cold, warm) < 1e-6, "{method:?}");
        }
    }
}

#[test]
fn the_order_of_rows_does_not_change_their_probabilities() {
    let data = season(240, 6);
    let order: Vec<usize> = (0..240).map(|i| (i * 77) % 240).collect();
    for method in Method::ALL {
        let fitted = fit(method, &data);
        let straight = fitted.probabilities(data.features.view());
        let shuffled = fitted.probabilities(data.features.select(Axis(0), &order).view());
        let difference = largest_difference(&straight.select(Axis(0), &order), &shuffled);
        assert!(difference < 1e-14, "{method:?}: {difference:e}");
        let alone = fitted.probabilities(data.features.slice(s![17..18, ..]));
        assert!(largest_difference(&alone, &straight.slice(s![17..18, ..]).to_owned()) < 1e-14);
    }
}

#[test]
fn renaming_classes_permutes_probabilities() {
    let data = season(240, 7);
    let place = [2, 0, 3, 1];
    let mut renamed = data.clone();
    renamed.labels = data.labels.iter().map(|l| place[*l]).collect();
    for (old, new) in place.iter().enumerate() {
        renamed.positive[*new] = data.positive[old];
        renamed.classes[*new] = data.classes[old].clone();
    }
    for method in Method::ALL {
        let before = fit(method, &data).probabilities(data.features.view());
        let after = fit(method, &renamed).probabilities(data.features.view());
        for (old, new) in place.iter().enumerate() {
            for (a, b) in before.column(old).iter().zip(after.column(*new)) {
                assert!((a - b).abs() < 1e-6, "{method:?}: {a} {b}");
            }
        }
    }
}

#[test]
fn a_class_that_a_fold_does_not_hold_has_probability_zero() {
    let data = season(240, 8);
    let rows: Vec<usize> = (0..240).filter(|i| data.groups[*i] != 3).collect();
    let fold = data.select(&rows);
    for method in Method::ALL {
        let fitted = fit(method, &fold);
        let p = fitted.probabilities(data.features.view());
        assert_eq!(p.ncols(), 4);
        assert!(p.column(3).iter().all(|p| *p == 0.0), "{method:?}");
        assert!(p.rows().into_iter().all(|r| (r.sum() - 1.0).abs() < 1e-12));
        assert_eq!(fitted.class_shares()[3], 0.0);
    }
}

#[test]
fn a_fold_without_positives_calls_nothing_positive() {
    let data = season(240, 9);
    let rows: Vec<usize> = (0..240).filter(|i| data.labels[*i] != 0).collect();
    for method in Method::ALL {
        let p = fit(method, &data.select(&rows)).probabilities(data.features.view());
        assert!(p.column(0).iter().all(|p| *p == 0.0), "{method:?}");
        assert!(p.rows().into_iter().all(|r| (r.sum() - 1.0).abs() < 1e-12));
    }
}

#[test]
fn one_class_only_is_refused_by_name() {
    let data = season(240, 10);
    let rows: Vec<usize> = (0..240).filter(|i| data.labels[*i] == 1).collect();
    let fold = data.select(&rows);
    for method in Method::ALL {
        let error = method
            .fit(&fold, &training_weights(&fold, false), &usual(method), 1)
            .unwrap_err();
        assert!(error.is_too_little());
        assert!(error.to_string().contains("are \"calcite\""), "{error}");
    }
}

#[test]
fn a_value_that_is_no_number_is_refused_with_patch_and_feature() {
    let mut data = season(60, 11);
    data.features[(4, 1)] = f64::NAN;
    for method in Method::ALL {
        let error = method
            .fit(&data, &training_weights(&data, false), &usual(method), 1)
            .unwrap_err();
        let text = error.to_string();
        assert!(
            text.contains("\"p4\"") && text.contains("\"v\"") && text.contains("NaN"),
            "{text}"
        );
    }
}

#[test]
fn a_weight_that_is_not_above_zero_is_refused() {
    let data = season(60, 12);
    for method in Method::ALL {
        for wrong in [0.0, -1.0, f64::NAN, f64::INFINITY] {
            let mut weights = vec![1.0; 60];
            weights[3] = wrong;
            let error = method.fit(&data, &weights, &usual(method), 1).unwrap_err();
            assert!(
                error.to_string().contains("patch \"p3\": its weight is"),
                "{error}"
            );
        }
        assert!(method.fit(&data, &[1.0; 59], &usual(method), 1).is_err());
    }
}

#[test]
fn settings_of_another_method_are_refused() {
    let data = season(60, 13);
    let settings = Settings::Neighbours { k: 5.0 };
    let error = Method::Forest
        .fit(&data, &[1.0; 60], &settings, 1)
        .unwrap_err();
    assert!(
        error
            .to_string()
            .contains("settings of neighbours were given to forest")
    );
}

#[test]
fn a_constant_feature_changes_nothing_but_its_own() {
    let mut data = season(240, 14);
    data.features.column_mut(2).fill(-1.0);
    for method in Method::ALL {
        for settings in method.grid() {
            let fitted = method.fit(&data, &[1.0; 240], &settings, 1).unwrap();
            let p = fitted.probabilities(data.features.view());
            assert!(p.iter().all(|p| p.is_finite()), "{settings:?}");
        }
        let mut elsewhere = data.features.clone();
        elsewhere.column_mut(2).fill(-0.7);
        let p = fit(method, &data).probabilities(elsewhere.view());
        assert!(p.iter().all(|p| p.is_finite()), "{method:?}");
    }
}

#[test]
fn classes_that_are_perfectly_separable_give_finite_probabilities() {
    let mut data = season(240, 15);
    for (mut row, &label) in data.features.axis_iter_mut(Axis(0)).zip(&data.labels) {
        row.mapv_inplace(|x| 10.0 * label as f64 + 1e-3 * x);
    }
    for method in Method::ALL {
        for settings in method.grid() {
            let fitted = method.fit(&data, &[1.0; 240], &settings, 1).unwrap();
            let p = fitted.probabilities(data.features.view());
            assert!(p.iter().all(|p| p.is_finite()), "{settings:?}");
            let far = Array2::from_elem((1, 3), 1e6);
            let p = fitted.probabilities(far.view());
            assert!((p.sum() - 1.0).abs() < 1e-9, "{settings:?}");
        }
    }
}

#[test]
fn a_saved_model_is_restored_bit_for_bit() {
    let data = season(240, 16);
    for method in Method::ALL {
        let fitted = fit(method, &data);
        let text = serde_json::to_string(&fitted).unwrap();
        let back: Fitted = serde_json::from_str(&text).unwrap();
        assert_eq!(text, serde_json::to_string(&back).unwrap());
        assert_eq!(
            fitted.probabilities(data.features.view()),
            back.probabilities(data.features.view()),
            "{method:?}"
        );
    }
}

#[test]
fn a_weight_of_two_counts_as_two_patches() {
    let data = season(240, 17);
    let twice: Vec<usize> = (0..240).flat_map(|i| vec![i; 1 + i % 2]).collect();
    let weights: Vec<f64> = (0..240).map(|i| (1 + i % 2) as f64).collect();
    let repeated = data.select(&twice);
    for method in Method::ALL {
        let settings = usual(method);
        let weighted = method.fit(&data, &weights, &settings, 1).unwrap();
        let repeated = method
            .fit(&repeated, &vec![1.0; twice.len()], &settings, 1)
            .unwrap();
        let a = weighted.probabilities(data.features.view());
        let b = repeated.probabilities(data.features.view());
        if method == Method::Forest {
            // Other patches are drawn: equal on average only.
            let mean = (&a - &b).mapv(f64::abs).mean().unwrap();
            assert!(mean < 0.03, "forest: {mean}");
        } else {
            let difference = largest_difference(&a, &b);
            assert!(difference < 1e-6, "{method:?}: {difference:e}");
        }
    }
}

#[test]
fn the_learning_methods_beat_the_class_shares_on_patches_not_seen() {
    let (data, fresh) = (season(600, 18), season(400, 19));
    let log_loss = |p: &Array2<f64>| {
        let rows = p.rows().into_iter().zip(&fresh.labels);
        -rows.map(|(p, l)| p[*l].max(1e-15).ln()).sum::<f64>() / 400.0
    };
    let shares = fit(Method::Logistic, &data).class_shares().to_vec();
    let of_shares = log_loss(&Array2::from_shape_fn((400, 4), |(_, k)| shares[k]));
    for method in Method::ALL {
        let p = fit(method, &data).probabilities(fresh.features.view());
        let loss = log_loss(&p);
        assert!(loss < of_shares, "{method:?}: {loss} against {of_shares}");
        if !method.is_plain() {
            assert!(
                loss < 0.8 * of_shares,
                "{method:?}: {loss} against {of_shares}"
            );
        }
    }
}

#[test]
fn grids_go_from_simple_to_complex_without_repeats() {
    for method in Method::ALL {
        let grid = method.grid();
        assert!(grid.iter().all(|s| s.method() == method));
        for (i, settings) in grid.iter().enumerate() {
            assert!(!grid[..i].contains(settings));
        }
        assert_eq!(Method::parse(method.name()).unwrap(), method);
    }
}
