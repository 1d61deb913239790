//! Each stage from cross-validation to the locked groups, on one small season.

use crate::glows::{BONE_SHARE, INSIDE, deployed, draws, recipe, season};
use crate::{known, request};
use boneglow::classify::Method;
use boneglow::evaluation::{
    ClusterBootstrap, Evaluated, FieldPrevalence, Folds, Merit, Openings, OutOfGroup, Recipe,
    Survey, Terms, Unchecked, Verdict, assess, compare, cross_validate, evaluate, open_locked,
    other_split, split_locked,
};
use boneglow::features::Dataset;
use boneglow::files::Provenance;
use boneglow::season::{ClassifyPlan, Policy, ThresholdPlan};
use boneglow::threshold::{Thresholds, recommend};
use ndarray::Axis;

const SITES: usize = 9;
const PREVALENCE: f64 = 0.05;

fn small() -> Dataset {
    season(&mut draws("stages", 5), SITES, 40.0)
}

fn predicted(data: &Dataset, recipes: &[Recipe]) -> Vec<OutOfGroup> {
    let folds = Folds::by_group(&data.groups).unwrap();
    cross_validate(data, recipes, &folds, INSIDE, None, &|_| ()).unwrap()
}

fn bootstrap() -> ClusterBootstrap {
    ClusterBootstrap {
        replicates: 200,
        ..ClusterBootstrap::new(1, 0.95)
    }
}

fn evaluated(data: &Dataset) -> Evaluated {
    let classify = ClassifyPlan {
        classifiers: vec!["logistic".into(), "discriminant".into()],
        replicates: 100,
        ..ClassifyPlan::default()
    };
    let threshold = ThresholdPlan {
        prevalence: Some(PREVALENCE),
        ..ThresholdPlan::default()
    };
    evaluate(data, Survey::default(), &classify, &threshold, &|_| ()).unwrap()
}

#[test]
fn unchecked_patches_are_predicted_by_the_model_that_never_saw_their_group() {
    let data = small();
    let rows: Vec<usize> = (0..data.len()).filter(|&i| data.groups[i] == 2).collect();
    let unchecked = Unchecked {
        features: data.features.select(Axis(0), &rows),
        groups: vec![2; rows.len()],
    };
    let folds = Folds::by_group(&data.groups).unwrap();
    let of = |unchecked: &Unchecked| {
        let found = cross_validate(&data, &[recipe()], &folds, INSIDE, Some(unchecked), &|_| ());
        found.unwrap().remove(0)
    };
    let found = of(&unchecked);
    let known = found.p_positive_at(found.ledger_share());
    for (row, p) in rows.iter().zip(found.unchecked()) {
        assert!((known[*row] - p).abs() < 1e-12);
    }
    // Of a group without checks every fold's model tells.
    let elsewhere = Unchecked {
        groups: vec![SITES; rows.len()],
        ..unchecked
    };
    let found = of(&elsewhere);
    let apart = rows.iter().zip(found.unchecked());
    assert!(
        apart
            .into_iter()
            .any(|(row, p)| (known[*row] - p).abs() > 1e-6)
    );
}

#[test]
fn what_a_group_is_predicted_to_be_does_not_depend_on_what_was_found_there() {
    let data = small();
    let mut other = data.clone();
    for i in (0..data.len()).filter(|&i| data.groups[i] == 3) {
        other.labels[i] = (data.labels[i] + 1) % data.classes.len();
    }
    let recipes = [recipe(), Recipe::tuned(Method::Brightness)];
    for (one, two) in predicted(&data, &recipes)
        .iter()
        .zip(predicted(&other, &recipes))
    {
        let mut elsewhere = 0.0_f64;
        for i in 0..data.len() {
            let (a, b) = (one.probabilities().row(i), two.probabilities().row(i));
            match data.groups[i] == 3 {
                true => assert_eq!(a, b, "{}: patch {i}", one.classifier()),
                false => elsewhere = elsewhere.max((&a - &b).fold(0.0, |m, d| m.max(d.abs()))),
            }
        }
        // The other groups do learn from it.
        assert!(elsewhere > 1e-3, "{}", one.classifier());
        let (rows, _) = one.inside(3, PREVALENCE).unwrap();
        assert!(rows.iter().all(|&i| data.groups[i] != 3));
        assert_eq!(one.choices()[3], two.choices()[3]);
    }
}

#[test]
fn an_evaluation_is_the_same_to_the_byte_on_one_two_and_three_threads() {
    let data = season(&mut draws("stages", 2), 6, 25.0);
    let run = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new()
            .num_threads(threads)
            .build()
            .unwrap();
        pool.install(|| {
            let found = evaluated(&data);
            let probabilities: Vec<u64> = found
                .predictions
                .iter()
                .flat_map(|p| p.probabilities().iter().map(|p| p.to_bits()))
                .collect();
            (
                serde_json::to_string(&found.evaluation).unwrap(),
                probabilities,
                serde_json::to_string(&recommended(found.chosen(), &ThresholdPlan::default()))
                    .unwrap(),
            )
        })
    };
    let one = run(1);
    assert_eq!(one, run(2));
    assert_eq!(one, run(3));
}

fn inside(merit: &Option<Merit>, what: &str) {
    let merit = merit.as_ref().unwrap_or_else(|| panic!("{what} is absent"));
    let (low, high) = (merit.low.unwrap(), merit.high.unwrap());
    assert!(
        low <= merit.value && merit.value <= high && low < high,
        "{what}: {merit:?}"
    );
}

#[test]
fn an_evaluation_states_every_figure_with_its_interval() {
    let data = small();
    let found = evaluated(&data);
    let evaluation = &found.evaluation;
    // Logistic, discriminant and the two plain rules that were not asked for.
    assert_eq!(evaluation.classifiers.len(), 4);
    for of in &evaluation.classifiers {
        for (what, merit) in [
            ("log loss", &of.log_loss),
            ("log loss over classes", &of.log_loss_classes),
            ("auc", &of.auc),
            ("partial auc", &of.partial_auc),
            ("average precision", &of.average_precision),
            ("recall", &of.recall),
            ("precision", &of.precision),
            ("specificity", &of.specificity),
            ("f1", &of.f1),
            ("matthews", &of.matthews),
            ("kappa", &of.kappa),
            ("balanced accuracy", &of.balanced_accuracy),
            ("brier", &of.brier),
            ("calibration intercept", &of.calibration_intercept),
            ("calibration slope", &of.calibration_slope),
            ("macro recall", &of.macro_recall),
            ("accuracy", &of.accuracy),
        ] {
            inside(merit, &format!("{}: {what}", of.name));
        }
        let parts = of.brier_parts.unwrap();
        assert!(parts.reliability >= 0.0 && parts.resolution >= 0.0);
        let sum = parts.reliability - parts.resolution + parts.uncertainty + parts.within_bins;
        let brier = of.brier.as_ref().unwrap().value;
        assert!((sum - brier).abs() < 1e-12, "{sum} {brier}");
        assert!(!of.reliability.is_empty() && !of.roc.is_empty());
        assert_eq!(of.folds.len(), SITES);
    }
    let chosen = evaluation
        .classifiers
        .iter()
        .find(|c| c.name == evaluation.chosen);
    let chosen = chosen.unwrap();
    for class in &chosen.classes {
        for (what, merit) in [
            ("recall", &class.recall),
            ("specificity", &class.specificity),
            ("balanced accuracy", &class.balanced_accuracy),
            ("log loss", &class.log_loss),
            ("brier", &class.brier),
            ("auc", &class.auc),
        ] {
            inside(merit, &format!("{}: {what}", class.class));
        }
        // Undefined or true to the confusion matrix.
        let at = evaluation
            .labels
            .iter()
            .position(|l| *l == class.class)
            .unwrap();
        let row: u64 = evaluation.confusion[at].iter().sum();
        let right = evaluation.confusion[at][at] as f64;
        assert!((class.recall.as_ref().unwrap().value - right / row as f64).abs() < 1e-12);
        let called: u64 = evaluation.confusion.iter().map(|r| r[at]).sum();
        match &class.precision {
            Some(precision) => assert!((precision.value - right / called as f64).abs() < 1e-12),
            None => assert_eq!(called, 0),
        }
    }
    let terms = Terms {
        cut: evaluation.protocol.cut,
        prevalence: PREVALENCE,
        bootstrap: ClusterBootstrap {
            replicates: 100,
            ..ClusterBootstrap::new(1, 0.95)
        },
    };
    assert_eq!(&assess(found.chosen(), terms).unwrap(), chosen);
    assert_eq!(evaluation.groups.len(), SITES);
    let novelty = evaluation.novelty.as_ref().unwrap();
    assert_eq!(novelty.left_out.len(), evaluation.labels.len());
    let known = novelty.known_rate.as_ref().unwrap();
    assert!(
        known.value > 0.0 && known.value <= 3.0 * novelty.stated_rate,
        "{known:?}"
    );
    assert!(evaluation.leak.is_some());
    // Nobody was left unchecked: there is nothing to correct.
    assert!(evaluation.verification.is_none());
    let text = serde_json::to_string(evaluation).unwrap();
    assert!(!text.contains("NaN") && !text.contains("inf"));
}

fn prior() -> FieldPrevalence {
    known(PREVALENCE, BONE_SHARE)
}

fn recommended(predictions: &OutOfGroup, plan: &ThresholdPlan) -> Thresholds {
    recommend(predictions, &request(plan, &prior(), 1)).unwrap()
}

#[test]
fn each_policy_keeps_what_it_promises_and_no_more() {
    let data = small();
    let predictions = predicted(&data, &[recipe()]).remove(0);
    let plan = |policy| ThresholdPlan {
        policy,
        patches_per_hectare: Some(200.0),
        max_walks_per_hectare: 12.0,
        min_precision: 0.3,
        min_recall: 0.7,
        ..ThresholdPlan::default()
    };
    for policy in [
        Policy::Cost,
        Policy::Recall,
        Policy::Walks,
        Policy::Precision,
    ] {
        let plan = plan(policy);
        let found = recommended(&predictions, &plan);
        inside(&Some(found.probability.clone()), "the cut");
        for (what, merit) in [
            ("recall", &found.expected.recall),
            ("precision", &found.expected.precision),
            ("walks", &found.expected.walks_per_1000),
            ("cost", &found.expected.cost),
        ] {
            inside(merit, &format!("{policy:?}: {what}"));
        }
        assert_eq!(found.transfer.len(), SITES);
        assert!(found.transfer_pooled.is_some());
        assert_eq!(found.sensitivity.len(), 15);
        assert!(found.in_words.iter().any(|s| s.contains(" bones missed")));
        assert!(found.decision_curve.len() > 50);
        let cut = found.probability.value;
        let lower = |keeps: &dyn Fn(&boneglow::threshold::CutPoint) -> bool| {
            found
                .curve
                .iter()
                .any(|p| p.probability < cut - 1e-12 && keeps(p))
        };
        match policy {
            // 1 / 51, or moved with a warning that says so.
            Policy::Cost => assert!(
                (cut - 1.0 / 51.0).abs() < 1e-12
                    || found.warnings.iter().any(|w| w.contains("was moved from"))
            ),
            Policy::Recall => {
                let recall = found.expected.recall.unwrap();
                assert!(recall.low.unwrap() >= 0.7, "{recall:?}");
            }
            Policy::Walks => {
                let walks = |per_1000: f64| per_1000 / 1000.0 * 200.0;
                assert!(walks(found.expected.walks_per_1000.unwrap().value) <= 12.0);
                assert!(!lower(&|p| walks(p.walks_per_1000) <= 12.0));
            }
            Policy::Precision => {
                assert!(found.expected.precision.unwrap().value >= 0.3);
                assert!(!lower(&|p| p.precision.is_some_and(|p| p >= 0.3)));
            }
        }
    }
}

/// Out of group the discriminant ranks this season's bones no better than chance (area under the curve 0.51).
#[test]
fn probabilities_that_tell_nothing_out_of_group_are_said_to() {
    let data = season(&mut draws("stages", 4), SITES, 40.0);
    let found = recommended(&predicted(&data, &[recipe()])[0], &ThresholdPlan::default());
    assert!(found.probability.low.is_none());
    let said = found.warnings.iter().any(|w| w.contains("cannot be told"));
    assert!(said, "{:?}", found.warnings);
}

#[test]
fn a_recall_that_cannot_be_shown_is_said_not_to_be() {
    let data = small();
    let predictions = predicted(&data, &[recipe()]).remove(0);
    let plan = ThresholdPlan {
        policy: Policy::Recall,
        min_recall: 0.9999,
        ..ThresholdPlan::default()
    };
    let found = recommended(&predictions, &plan);
    assert!(
        found
            .warnings
            .iter()
            .any(|w| w.contains("No cut can be shown"))
    );
}

#[test]
fn walks_per_hectare_need_the_number_of_glows_per_hectare() {
    let predictions = predicted(&small(), &[recipe()]).remove(0);
    let plan = ThresholdPlan {
        policy: Policy::Walks,
        ..ThresholdPlan::default()
    };
    let error = recommend(&predictions, &request(&plan, &prior(), 1)).unwrap_err();
    assert!(error.to_string().contains("patches_per_hectare"), "{error}");
}

#[test]
fn a_model_against_itself_changes_nothing_and_against_a_brightness_cut_it_wins() {
    let data = season(&mut draws("stages", 5), 20, 40.0);
    let mut two = predicted(&data, &[Recipe::tuned(Method::Brightness), recipe()]);
    let (new, old) = (two.pop().unwrap(), two.pop().unwrap());
    let same = compare(&new, &new, (0.1, 0.1), PREVALENCE, bootstrap()).unwrap();
    assert_eq!(same.verdict, Verdict::Undecided);
    assert!(same.changed.is_empty());
    assert!(
        same.figures
            .iter()
            .all(|f| f.gain.as_ref().unwrap().value == 0.0)
    );

    let found = compare(&old, &new, (0.05, 0.05), PREVALENCE, bootstrap()).unwrap();
    assert_eq!(found.verdict, Verdict::New, "{}", found.sentence);
    let gain = found.figures[0].gain.as_ref().unwrap();
    let difference = found.figures[0].old.unwrap() - found.figures[0].new.unwrap();
    assert!((gain.value - difference).abs() < 1e-12 && gain.low.unwrap() > 0.0);
    let test = found.mcnemar.unwrap();
    assert_eq!(test.old_only + test.new_only, found.changed.len() as u64);
    for change in &found.changed {
        assert_ne!(change.old_walks, change.new_walks);
        assert_eq!(change.old_walks, change.p_old >= 0.05);
    }
    let back = compare(&new, &old, (0.05, 0.05), PREVALENCE, bootstrap()).unwrap();
    assert_eq!(back.verdict, Verdict::Old);
    assert!((back.figures[0].gain.as_ref().unwrap().value + gain.value).abs() < 1e-12);
}

#[test]
fn models_of_different_patches_are_not_compared() {
    let one = predicted(&small(), &[recipe()]).remove(0);
    let other = predicted(&season(&mut draws("stages", 3), SITES, 40.0), &[recipe()]).remove(0);
    let error = compare(&one, &other, (0.1, 0.1), PREVALENCE, bootstrap()).unwrap_err();
    assert!(
        error.is_input() && error.to_string().contains("patches"),
        "{error}"
    );
}

#[test]
fn locked_groups_are_kept_apart_and_every_opening_is_written_down() {
    let data = small();
    let name = |site: &str| vec![site.to_string()];
    let error = split_locked(&data, &name("site 0009"))
        .unwrap_err()
        .to_string();
    assert!(error.contains("did you mean \"site 00"), "{error}");
    assert!(
        split_locked(&data, &data.group_names)
            .unwrap_err()
            .is_too_little()
    );

    let (open, locked) = split_locked(&data, &name("site 004")).unwrap();
    assert_eq!(open.len() + locked.len(), data.len());
    let site = |of: &Dataset, i: usize| of.group_names[of.groups[i]].clone();
    assert!((0..open.len()).all(|i| site(&open, i) != "site 004"));
    assert!((0..locked.len()).all(|i| site(&locked, i) == "site 004"));

    let model = deployed(&open, &recipe(), PREVALENCE);
    let inputs = |bytes: &[u8]| {
        let mut of = Provenance::default();
        of.add("ledger/checks.csv", bytes);
        of
    };
    let p = model.positive_share(&model.probabilities(locked.features.view()));
    let walks: Vec<bool> = p.iter().map(|p| *p >= 0.05).collect();
    let open_with = |earlier: Openings, bytes: &[u8]| {
        open_locked(earlier, &walks, &locked, inputs(bytes), &bootstrap()).unwrap()
    };
    let first = open_with(Openings::default(), b"aa");
    assert_eq!(first.openings.len(), 1);
    let opening = &first.openings[0];
    assert_eq!(
        (opening.patches, &opening.groups),
        (locked.len(), &name("site 004"))
    );
    let bones: Vec<usize> = (0..locked.len())
        .filter(|&i| locked.is_positive(i))
        .collect();
    let found = bones.iter().filter(|&&i| walks[i]).count() as f64 / bones.len() as f64;
    assert!((opening.recall.as_ref().unwrap().value - found).abs() < 1e-12);
    assert!(opening.sentence.contains("for the first time"));

    assert_eq!(open_with(first.clone(), b"aa"), first);
    let second = open_with(first.clone(), b"bb");
    assert_eq!(second.openings[0], first.openings[0]);
    assert!(second.openings[1].sentence.contains("opened 1 time before"));
}

#[test]
fn a_second_stage_of_resampling_reaches_every_interval_and_widens_them() {
    let data = small();
    let found = &predicted(&data, &[recipe()])[0];
    let figures = |two_stage| {
        let terms = Terms {
            cut: 0.05,
            prevalence: PREVALENCE,
            bootstrap: ClusterBootstrap {
                two_stage,
                ..bootstrap()
            },
        };
        let of = assess(found, terms).unwrap();
        let bone = of.classes.iter().find(|c| c.class == "bone").unwrap();
        [
            ("recall", &of.recall),
            ("precision", &of.precision),
            ("log loss", &of.log_loss),
            ("AUC", &of.auc),
            ("partial AUC", &of.partial_auc),
            ("average precision", &of.average_precision),
            ("slope", &of.calibration_slope),
            ("recall of bone", &bone.recall),
            ("AUC of bone", &bone.auc),
        ]
        .map(|(name, merit)| {
            let merit = merit.as_ref().unwrap();
            (name, merit.value, merit.high.unwrap() - merit.low.unwrap())
        })
    };
    let mut widening = 0.0;
    for (groups, both) in figures(false).into_iter().zip(figures(true)) {
        assert!((groups.1 - both.1).abs() < 1e-12, "{}", groups.0);
        assert_ne!(groups.2, both.2, "{}", groups.0);
        widening += both.2 / groups.2 / 9.0;
    }
    assert!((1.0..1.6).contains(&widening), "{widening}");
}

#[test]
fn the_choice_made_without_a_group_does_not_depend_on_what_was_found_there() {
    let data = small();
    let mut other = data.clone();
    for i in (0..data.len()).filter(|&i| data.groups[i] == 3) {
        other.labels[i] = (data.labels[i] + 1) % data.classes.len();
    }
    let selection = |data: &Dataset| evaluated(data).evaluation.selection.unwrap();
    let (one, two) = (selection(&data), selection(&other));
    assert_eq!(one.by_fold.len(), SITES);
    assert_eq!(one.by_fold[3], two.by_fold[3]);
    assert_ne!(one.log_loss, two.log_loss);
    inside(&one.log_loss, "log loss");
    inside(&one.auc, "AUC");
}

#[test]
fn a_choice_that_always_falls_on_one_classifier_has_its_figures() {
    let found = evaluated(&small()).evaluation;
    let selection = found.selection.unwrap();
    let always = |name: &str| selection.by_fold.iter().all(|f| f.classifier == name);
    let of = |name: &str| found.classifiers.iter().find(|c| c.name == name).unwrap();
    let chosen = of(&found.chosen);
    match always(&found.chosen) {
        true => assert_eq!(selection.log_loss, chosen.log_loss),
        false => assert_ne!(selection.log_loss, chosen.log_loss),
    }
    assert!(
        selection.sentence.contains(&found.chosen),
        "{}",
        selection.sentence
    );
}

#[test]
fn what_nights_have_of_their_own_shows_only_where_whole_nights_are_left_out() {
    let mut data = small();
    let night = |site: usize| format!("night {}", site / 3);
    let nights: Vec<String> = data.groups.iter().map(|&site| night(site)).collect();
    let split = |data: &Dataset, nights: &[String]| {
        let found = evaluated(data);
        let classify = ClassifyPlan::default();
        other_split(data, found.chosen(), "site", ("night", nights), &classify).unwrap()
    };
    // Every color is shifted by its night.
    for (i, night) in nights.iter().enumerate() {
        let shift = match night.as_str() {
            "night 0" => -0.08,
            "night 1" => 0.0,
            _ => 0.08,
        };
        data.features[(i, 0)] += shift;
    }
    let found = split(&data, &nights).unwrap();
    assert_eq!((found.values, found.shared), (3, data.len()));
    assert!(found.log_loss > found.own_log_loss, "{found:?}");
    assert!(found.auc < found.own_auc, "{found:?}");
    assert!(
        found.sentence.contains("neither its site nor its night"),
        "{}",
        found.sentence
    );
    // A night of its own for each site leaves nothing to share.
    let own: Vec<String> = data.groups.iter().map(|site| site.to_string()).collect();
    assert_eq!(split(&data, &own), None);
    // One night for all tells nothing.
    let one = vec!["night".to_string(); data.len()];
    let found = split(&data, &one).unwrap();
    assert!(
        found.log_loss.is_none() && found.sentence.contains("nothing tells how another night"),
        "{found:?}"
    );
}
