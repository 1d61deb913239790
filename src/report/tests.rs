//! The report of an invented season, whole and with parts missing.

use super::figures::trial;
use super::*;
use crate::calibration::{
    Brightness, Detection, Drift, DriftNight, DriftTarget, Errors, Mapping, NoisePoint, Rig,
    StepResult, TargetResult, WhiteRecord,
};
use crate::classify::ProbabilityCalibration;
use crate::evaluation::*;
use crate::files::Provenance;
use crate::planning::{CheckKind, KindForecast, NextWalk, RecallForecast, SiteForecast, StopCount};
use crate::season::{Plan, Policy};
use crate::signal::Response;
use crate::threshold::*;

fn plan() -> Plan {
    Plan::parse(
        "name = \"Invented basin <dry>\"\n[rig]\nname = \"test rig\"\nfilter_cut_on_nm = 480\n\
         [calibration]\nassume = \"srgb\"\n[ledger]\nfiles = [\"ledger/*.csv\"]\npositive = [\"bone\"]\n",
    )
    .unwrap()
}

fn assumed() -> Rig {
    Rig::assumed_srgb(&plan(), Response::Srgb).unwrap()
}

fn calibrated() -> Rig {
    let mut rig = assumed();
    rig.calibrated = true;
    rig.passed = true;
    rig.mapping = Mapping::matrix([[0.4, 0.3, 0.2], [0.2, 0.7, 0.1], [0.0, 0.1, 0.9]]);
    rig.warnings = vec!["the target \"amber tile\" pulls hard (leverage 0.82)".to_string()];
    rig.uncertainty.lack_of_fit = [[4.1e-6, 1e-6], [1e-6, 6.3e-6]];
    rig.detection = Detection {
        pixels: 25,
        confidence: 0.95,
        critical_level: Some(-2.71),
        detection_limit: Some(-2.38),
        color_uv: 0.02,
        color_limit: Some(-1.94),
        without_color: Vec::new(),
    };
    rig.noise_points = (0..54)
        .map(|i| (i % 3, 0.01 * 1.25f64.powi(i as i32 / 3)))
        .map(|(channel, signal)| NoisePoint {
            channel,
            signal,
            variance: 4e-6 + 2.2e-4 * signal,
            rounding: 1e-6,
            pixels: 400,
        })
        .collect();
    rig.steps = (0..8)
        .map(|i| StepResult {
            relative_exposure: 0.7f64.powi(i),
            code: [240.0 * 0.87f64.powi(i); 3],
            ratio: [1.0 + 0.01 * f64::from(i % 3), 0.99, 1.0],
        })
        .collect();
    rig.noise.measured = true;
    rig.noise.read_sd = [0.0018; 3];
    rig.noise.gain = [2.0e-4; 3];
    rig.errors = Some(Errors {
        mean_uv: 0.00214,
        max_uv: 0.00502,
        cross_validated_mean_uv: 0.00391,
        cross_validated_max_uv: 0.00977,
        mean_de00: 1.73,
    });
    let shifts = trial::cloud(7, [0.0, 0.0], 0.0026, 11);
    let names = [
        "green tile",
        "lime tile",
        "yellow tile",
        "amber tile",
        "orange tile",
        "cream tile",
        "sky tile",
    ];
    let places = [
        [0.15, 0.53],
        [0.19, 0.55],
        [0.24, 0.552],
        [0.29, 0.545],
        [0.34, 0.54],
        [0.22, 0.49],
        [0.16, 0.45],
    ];
    rig.targets = names
        .iter()
        .zip(places)
        .zip(shifts)
        .map(|((name, [u, v]), [du, dv])| TargetResult {
            target: name.to_string(),
            reference_uv: [u, v],
            measured_uv: [u + 0.5 * du, v + 0.5 * dv],
            chance_by_scatter: None,
            chance: None,
            left_out_uv: Some([u + du, v + dv]),
            covariance: [[5e-6, 1e-6, 0.0], [1e-6, 7e-6, 0.0], [0.0, 0.0, 1e-3]],
            repeatability: [[5e-7, 0.0], [0.0, 5e-7]],
            log_luminance: -0.4,
            de00: 1.6,
            leverage: 0.41,
            captures: 3,
            net_signal: [0.1, 0.3, 0.1],
            signal_sd: [0.0; 3],
        })
        .collect();
    rig
}

fn merit(value: f64, half: f64) -> Option<Merit> {
    Some(Merit {
        value,
        low: Some(value - half),
        high: Some(value + half),
        method: "bootstrap over groups, standard error with Student's t".to_string(),
    })
}

fn share(value: f64, half: f64) -> Option<Merit> {
    merit(value, half).map(|merit| Merit {
        method: IntervalMethod::Wilson.to_string(),
        ..merit
    })
}

fn classifier(name: &str, plain: bool, power: f64) -> ClassifierEvaluation {
    let grid = || (0..=50).map(|i| f64::from(i) / 50.0);
    ClassifierEvaluation {
        name: name.to_string(),
        plain,
        candidate: !plain,
        log_loss: merit(0.1 + power, 0.034),
        auc: merit(1.0 / (1.0 + power), 0.021),
        average_precision: merit(0.8 - power, 0.08),
        recall: merit(0.9 - power, 0.071),
        precision: merit(0.5 - power / 2.0, 0.11),
        specificity: merit(0.93, 0.02),
        calibration_slope: merit(0.91, 0.2),
        folds: (0..9)
            .map(|i| FoldChoice {
                groups: vec![format!("gully {}", i + 1)],
                settings: format!("linear terms, C = {}", if i < 6 { 10 } else { 1 }),
                calibration: "none".to_string(),
            })
            .collect(),
        classes: vec![ClassEvaluation {
            class: "bone".to_string(),
            patches: 48,
            groups: 9,
            recall: merit(0.8, 0.1),
            ..ClassEvaluation::default()
        }],
        roc: grid().map(|x| [x, x.powf(power)]).collect(),
        precision_recall: grid()
            .map(|x| [x, 1.0 - 0.9 * x.powf(1.0 / power)])
            .collect(),
        reliability: [0.01, 0.05, 0.2, 0.5, 0.8, 0.95]
            .map(|p| ReliabilityPoint {
                stated: p,
                observed: 0.9 * p,
                low: 0.7 * p,
                high: (1.2 * p).min(1.0),
                patches: 60,
            })
            .to_vec(),
        ..ClassifierEvaluation::default()
    }
}

fn prevalence() -> FieldPrevalence {
    FieldPrevalence {
        value: 0.012,
        low: Some(0.006),
        high: Some(0.021),
        source: PrevalenceSource::Estimated,
        ledger: 0.083,
        method: "estimated from the patches without a ground check (Saerens et al. 2002)"
            .to_string(),
    }
}

fn evaluation() -> Evaluation {
    let labels = ["bone", "calcite", "matrix"].map(String::from).to_vec();
    Evaluation {
        protocol: Protocol {
            folds: "Each site in turn was left out and predicted by a model fitted to the others"
                .to_string(),
            inside: "settings and standardization were learnt inside the fold, patches weighed as in Kish 1965"
                .to_string(),
            fold_count: 9,
            groups: 9,
            patches: 576,
            positives: 48,
            features: ["u", "v", "log_luminance"].map(String::from).to_vec(),
            weighted: true,
            cut: 0.0196,
            cut_rule: "the cut is the cost of a walk over that and the cost of a missed bone"
                .to_string(),
            choice_rule: "the simplest within one standard error of the least log loss was chosen"
                .to_string(),
            confidence: 0.95,
            replicates: 2000,
            two_stage: false,
            seed: 1,
        },
        positive: vec!["bone".to_string()],
        classifiers: vec![
            classifier("brightness", true, 0.5),
            classifier("nearest-mean", true, 0.2),
            classifier("logistic", false, 0.06),
            classifier("forest", false, 0.09),
        ],
        chosen: "logistic".to_string(),
        choice: "logistic has the least log loss".to_string(),
        selection: None,
        confusion: vec![vec![40, 6, 2], vec![9, 120, 4], vec![1, 3, 391]],
        labels,
        confusion_rule: "the most probable class".to_string(),
        baseline: Baseline {
            rule: "nearest-mean".to_string(),
            log_loss_gain: merit(0.14, 0.05),
            auc_gain: None,
            recall_gain: None,
            better: true,
            sentence: "logistic is better than nearest-mean by 0.140 in log loss (0.090 to 0.190)"
                .to_string(),
        },
        groups: (1..=9)
            .map(|i| GroupEvaluation {
                group: format!("gully {i}"),
                patches: 64,
                positives: i,
                recall: (i != 4)
                    .then(|| share(0.7 + 0.02 * i as f64, 0.12))
                    .flatten(),
                precision: share(0.4, 0.2),
                ..GroupEvaluation::default()
            })
            .collect(),
        verification: Some(Verification {
            checked: 576,
            unchecked: 210,
            overlap: Some(0.8),
            told_apart: None,
            estimates: vec![VerificationEstimate {
                method: "begg-greenes".to_string(),
                assumption: "whether a patch was checked depended on its score only".to_string(),
                not_given: None,
                recall: merit(0.78, 0.12),
                false_alarm_rate: None,
            }],
            sensitivity: [(1.0, 0.74), (2.0, 0.71)]
                .map(|(factor, recall)| UncheckedAssumption {
                    factor,
                    recall,
                    false_alarm_rate: 0.08,
                })
                .to_vec(),
        }),
        novelty: Some(NoveltyReport {
            cut: 13.2,
            stated_rate: 0.01,
            known_rate: merit(0.014, 0.006),
            left_out: vec![LeftOutClass {
                class: "calcite".to_string(),
                patches: 133,
                called_novel: share(0.31, 0.07),
            }],
        }),
        prevalence: prevalence(),
        leak: Some(Leak {
            classifier: "logistic".to_string(),
            grouped_log_loss: 0.16,
            ungrouped_log_loss: 0.09,
            grouped_auc: Some(0.94),
            ungrouped_auc: Some(0.98),
        }),
        other_split: Some(OtherSplit {
            column: "night".to_string(),
            values: 4,
            shared: 300,
            log_loss: Some(0.17),
            auc: Some(0.93),
            own_log_loss: Some(0.16),
            own_auc: Some(0.94),
            sentence: "300 of 576 checked patches share their night with another site".to_string(),
        }),
        warnings: vec!["the site \"gully 4\" has no positive".to_string()],
    }
}

fn model() -> ModelView {
    ModelView {
        groups: 9,
        settings: "linear terms, C = 10".to_string(),
        correction: ProbabilityCalibration::Platt {
            slope: 0.91,
            intercept: -0.07,
        },
    }
}

fn thresholds() -> Thresholds {
    let cuts = || (1..100).map(|i| f64::from(i) / 100.0);
    Thresholds {
        classifier: "logistic".to_string(),
        policy: Policy::Cost,
        policy_sentence: "a missed bone costs 50 and a wasted walk 1".to_string(),
        probability: merit(0.024, 0.011).unwrap(),
        method: "the cut is where a walk is just worth it".to_string(),
        min_luminance: Some(-1.94),
        min_pixels: 6,
        novelty: Some(13.2),
        prior: prevalence(),
        expected: Expected {
            recall: merit(0.84, 0.09),
            precision: merit(0.14, 0.05),
            walks_per_bone: merit(7.1, 2.6),
            walks_per_1000: merit(72.0, 18.0),
            cost: merit(158.0, 61.0),
            net_benefit: merit(0.0087, 0.0012),
        },
        net_benefit_everywhere: Some(-0.0078),
        in_words: vec!["at this cut expect 1 bone in 7 walks and 3 in 20 bones missed".to_string()],
        transfer: vec![Transfer {
            group: "gully 1".to_string(),
            cut: 0.021,
            positives: 1,
            others: 63,
            recall: Some(1.0),
            false_alarm_rate: Some(0.06),
            cost: Some(61.0),
            hindsight_cost: Some(12.0),
        }],
        transfer_pooled: Some(Expected {
            recall: merit(0.81, 0.1),
            precision: None,
            walks_per_bone: None,
            walks_per_1000: None,
            cost: None,
            net_benefit: None,
        }),
        curve: cuts()
            .map(|cut| CutPoint {
                probability: cut,
                recall: 1.0 - cut * cut,
                false_alarm_rate: (1.0 - cut).powi(20),
                precision: None,
                walks_per_1000: 900.0 * (1.0 - cut).powi(20),
                cost: 600.0 * cut * cut + 900.0 * (1.0 - cut).powi(60),
            })
            .collect(),
        sensitivity: vec![Sensitivity {
            cost_ratio: 20.0,
            prevalence: 0.02,
            cut: 0.05,
            cut_at_prior: 0.031,
            recall: 0.8,
            walks_per_1000: 61.0,
            cost: 122.0,
        }],
        decision_curve: cuts()
            .map(|p| NetBenefit {
                threshold: p,
                classifier: 0.011 * (1.0 - p),
                everywhere: 0.012 - 0.988 * p / (1.0 - p),
                nowhere: 0.0,
            })
            .collect(),
        region_uv: vec![vec![
            [0.222, 0.49],
            [0.25, 0.49],
            [0.25, 0.52],
            [0.225, 0.515],
        ]],
        region_log_luminance: Some(-1.1),
        warnings: vec!["walks_per_bone rests on 48 positives".to_string()],
    }
}

fn ledger() -> LedgerView {
    let counted = |name: &str, count: usize| Counted {
        name: name.to_string(),
        count,
    };
    let glow = |label: &str, count: usize, middle: [f64; 2], seed: u64| figures::ClassGlow {
        label: label.to_string(),
        points: trial::cloud(count, middle, 0.006, seed),
    };
    LedgerView {
        patches: 786,
        checked: 576,
        unchecked: 210,
        groups: 9,
        locked: Vec::new(),
        left_out: 0,
        nights: Default::default(),
        labels: vec![
            counted("bone", 48),
            counted("calcite", 133),
            counted("matrix", 395),
        ],
        selections: vec![counted("audit", 60), counted("flagged", 516)],
        too_faint: 21,
        warnings: Vec::new(),
        glows: vec![
            glow("bone", 48, [0.235, 0.503], 1),
            glow("calcite", 133, [0.228, 0.487], 2),
            glow("matrix", 395, [0.208, 0.478], 3),
        ],
    }
}

fn drift() -> Drift {
    let night = |name: &str, shift_uv: f64, drifted: bool| DriftNight {
        night: name.to_string(),
        drifted,
        brightness_changed: false,
        p_value: if drifted { 2e-7 } else { 0.41 },
        cause: "nothing beyond noise".to_string(),
        brightness: Some(Brightness {
            value: 0.99,
            low: 0.96,
            high: 1.02,
        }),
        channel_factors: [1.0; 3],
        explanations: Vec::new(),
        chi_squared: 3.0,
        degrees: 6,
        targets: ["green tile", "amber tile", "cream tile"]
            .map(|target| DriftTarget {
                target: target.to_string(),
                shift: [shift_uv, 0.0],
                shift_uv,
                sd_uv: 0.0009,
                p_value: 0.3,
            })
            .to_vec(),
    };
    Drift {
        rig: "test rig".to_string(),
        confidence: 0.95,
        nights: vec![
            night("2031-05-09", 0.0008, false),
            night("2031-07-30", 0.0061, true),
        ],
        warnings: vec!["the amber tile was not recorded on 2031-07-30".to_string()],
    }
}

fn strip(name: &str) -> StripView {
    let mut result = strip_plate::trial::result(240, 1000);
    result.strip = name.to_string();
    let figure = strip_figure(&result, &[]).unwrap();
    StripView {
        result,
        overview_svg: Some(figure.svg),
    }
}

fn gain(value: f64) -> Option<Merit> {
    Some(Merit {
        value,
        low: Some(value - 0.02),
        high: Some(value + 0.02),
        method: "bootstrap over groups".to_string(),
    })
}

fn comparison() -> Comparison {
    Comparison {
        old: "nearest-mean".to_string(),
        new: "logistic".to_string(),
        basis: "The old recipe, learnt again.".to_string(),
        patches: 300,
        positives: 40,
        old_cut: 0.03,
        new_cut: 0.02,
        figures: vec![FigureChange {
            name: "log_loss".to_string(),
            old: Some(0.31),
            new: Some(0.26),
            gain: gain(0.05),
        }],
        mcnemar: None,
        auc_of_patches: None,
        changed: vec![ChangedDecision {
            patch_id: "N-<7>".to_string(),
            group: "north".to_string(),
            label: "bone".to_string(),
            old_walks: false,
            new_walks: true,
            p_old: 0.01,
            p_new: 0.05,
        }],
        verdict: Verdict::New,
        rule: VERDICT_RULE.to_string(),
        sentence: "The new model's log loss is less.".to_string(),
        warnings: Vec::new(),
    }
}

fn locked() -> Openings {
    Openings {
        openings: vec![Opening {
            inputs: Provenance::default(),
            groups: vec!["far rim".to_string()],
            patches: 60,
            positives: 8,
            recall: gain(0.8),
            false_alarm_rate: gain(0.1),
            precision: None,
            sentence: "Opened for the first time.".to_string(),
        }],
    }
}

fn next_walk() -> NextWalk {
    NextWalk {
        glows: 400,
        stops: vec![StopCount {
            reason: "audit".to_string(),
            count: 4,
        }],
        audited_among: 380,
        audited_before: 0,
        audit_probability: Some(4.0 / 380.0),
        kilometers: Some(3.2),
        forecast: Some(RecallForecast {
            recall: 0.8,
            correlation: 0.2,
            correlation_assumed: false,
            today: [8, 60],
            effective_positives: 60.0,
            width_today: Some(0.3),
            wanted: 0.2,
            confidence: 0.95,
            kinds: vec![KindForecast {
                kind: CheckKind::Any,
                positives: 60,
                positive_share: 0.2,
                share_of_variance: 1.0,
                sites: vec![SiteForecast {
                    further_sites: 5,
                    further_checks: Some(120),
                    widths: vec![(25, 0.27), (60, 0.22), (120, 0.2)],
                }],
            }],
        }),
        warnings: Vec::new(),
    }
}

/// A season without any result.
fn empty(plan: Plan) -> Sources {
    Sources {
        plan,
        rig: None,
        drift: None,
        calibration_nights: Default::default(),
        ledger: None,
        evaluation: None,
        model: None,
        thresholds: None,
        comparison: None,
        locked: None,
        next_walk: None,
        strips: Vec::new(),
        older: Vec::new(),
        older_openings: Vec::new(),
        strips_left_out: Vec::new(),
        made_from: Provenance::default(),
    }
}

fn whole() -> Sources {
    let mut made_from = Provenance::default();
    made_from.add("ledger/spring.csv", b"invented");
    Sources {
        rig: Some(calibrated()),
        drift: Some(drift()),
        ledger: Some(ledger()),
        evaluation: Some(evaluation()),
        model: Some(model()),
        thresholds: Some(thresholds()),
        comparison: Some(comparison()),
        locked: Some(locked()),
        next_walk: Some(next_walk()),
        strips: vec![strip("north-1"), strip("south & east")],
        made_from,
        ..empty(plan())
    }
}

fn check(report: &Report) {
    for text in [&report.page, &report.methods] {
        for broken in ["{{", "{%", "NaN", "None", "undefined"] {
            assert!(!text.contains(broken), "{broken} in\n{text}");
        }
    }
    let page = report.page.replace("http://www.w3.org/2000/svg", "");
    for outside in ["http:", "https:", "=\"//", "<script", "@import", "url("] {
        let found = page
            .find(outside)
            .map(|at| &page[at.saturating_sub(60)..at + 40]);
        assert!(found.is_none(), "{outside}: {found:?}");
    }
    for (_, figure) in &report.figures {
        let id = format!("id=\"figure-{}\"", figure.name);
        assert_eq!(report.page.matches(&id).count(), 1, "{id}");
    }
}

/// Keeps a report to be looked at; each name belongs to one test, which run side by side.
fn keep(report: &Report, name: &str) {
    for (_, figure) in &report.figures {
        trial::keep_as(figure, &format!("{name}-{}", figure.name));
    }
    if let Some(folder) = std::env::var_os("BONEGLOW_FIGURES") {
        let folder = std::path::Path::new(&folder);
        let page = folder.join(format!("{name}.html"));
        files::write_whole(&page, report.page.as_bytes()).unwrap();
        let methods = folder.join(format!("{name}.md"));
        files::write_whole(&methods, report.methods.as_bytes()).unwrap();
    }
}

#[test]
fn a_whole_season_gets_every_part() {
    let report = Report::of(&whole()).unwrap();
    check(&report);
    keep(&report, "report");
    assert_eq!(report.figures.len(), 15);
    assert!(report.methods.contains("0.840 (0.750 to 0.930)"));
    assert!(report.methods.contains("- Currie, L. A. 1968."));
    assert!(!report.methods.contains("Sharma et al. 2005. "));
    assert!(report.page.contains("Invented basin &lt;dry&gt;"));
    assert!(!report.page.contains("Not calibrated."));
}

#[test]
fn any_part_may_be_missing() {
    for present in 0..128u32 {
        let mut sources = whole();
        let has = |bit: u32| present & (1 << bit) != 0;
        sources.rig = sources.rig.filter(|_| has(0));
        sources.ledger = sources.ledger.filter(|_| has(1));
        sources.evaluation = sources.evaluation.filter(|_| has(2));
        sources.thresholds = sources.thresholds.filter(|_| has(3));
        sources.strips.retain(|_| has(4));
        sources.drift = sources.drift.filter(|_| has(5));
        sources.comparison = sources.comparison.filter(|_| has(6));
        sources.locked = sources.locked.filter(|_| has(6));
        sources.next_walk = sources.next_walk.filter(|_| has(6));
        let report = Report::of(&sources).unwrap();
        check(&report);
        if present == 1 {
            keep(&report, "report-calibration-only");
        }
    }
}

#[test]
fn a_rig_without_targets_is_called_not_calibrated_everywhere() {
    let sources = Sources {
        rig: Some(assumed()),
        ..whole()
    };
    let report = Report::of(&sources).unwrap();
    check(&report);
    keep(&report, "report-assumed");
    assert!(report.page.contains("<strong>Not calibrated.</strong>"));
    assert!(report.methods.contains("**Not calibrated.**"));
    let diagram = report
        .figures
        .iter()
        .find(|(_, f)| f.name == "chromaticity");
    assert!(diagram.unwrap().1.description.contains("not calibrated"));
}

#[test]
fn a_calibration_that_missed_its_limit_says_so_at_the_top() {
    let mut sources = whole();
    sources.rig = sources.rig.map(|rig| Rig {
        passed: false,
        ..rig
    });
    let report = Report::of(&sources).unwrap();
    assert!(report.page.contains("The calibration missed its limit"));
    assert!(
        report
            .methods
            .contains("The calibration did not keep to it")
    );
}

#[test]
fn a_missing_rig_is_told_where_results_rest_on_it() {
    let lacking = Report::of(&Sources {
        rig: None,
        ..whole()
    })
    .unwrap();
    for text in [&lacking.page, &lacking.methods] {
        assert!(text.contains("The calibration is missing."));
        assert!(!text.contains("rests on measured color"));
    }
    assert!(lacking.warnings[0].contains("results/rig.json is missing"));
    let begun = Report::of(&Sources {
        ledger: Some(ledger()),
        ..empty(plan())
    })
    .unwrap();
    assert!(begun.methods.contains("rests on measured color"));
    assert!(!begun.warnings.iter().any(|w| w.contains("rig.json")));
}

#[test]
fn what_was_made_from_other_inputs_is_marked_as_older_in_its_place() {
    let mut sources = whole();
    let older = |result: &str, command: &str| Older {
        result: result.to_string(),
        edited: false,
        changed: vec!["ledger/spring.csv".to_string()],
        command: command.to_string(),
    };
    sources.older = vec![
        older("results/thresholds.json", "threshold"),
        older("results/strips/north-1/strip.json", "score"),
    ];
    sources.older_openings = vec![true];
    sources.strips_left_out = vec!["west-9".to_string()];
    let report = Report::of(&sources).unwrap();
    check(&report);
    let marks = |text: &str| text.matches("Older than its inputs.").count();
    assert_eq!((marks(&report.page), marks(&report.methods)), (4, 2));
    for text in [&report.page, &report.methods] {
        assert!(text.contains("results/thresholds.json was made from other inputs"));
        assert!(text.contains("(changed since: ledger/spring.csv)"));
        assert!(text.contains("Opened on other inputs than the present ones:"));
    }
    assert!(
        report
            .page
            .contains("Parts of this page are older than their inputs, or were edited.")
    );
    let (_, decision) = report.methods.split_once("## Decision\n\n").unwrap();
    assert!(
        decision.starts_with("**Older than its inputs.**"),
        "{decision}"
    );
    let gone = report.warnings.iter().find(|w| w.contains("west-9"));
    assert!(gone.unwrap().contains("no longer names"));
}

#[test]
fn every_work_that_the_methods_cite_is_listed() {
    let methods = Report::of(&whole()).unwrap().methods;
    let (body, list) = methods.split_once("## References").unwrap();
    let words: Vec<&str> = body
        .split_whitespace()
        .map(|w| w.trim_matches(|c: char| !c.is_alphanumeric()))
        .collect();
    let (mut cited, mut before_et) = (0, "");
    for trio in words.windows(3) {
        let is_year =
            trio[2].len() == 4 && trio[2].parse().is_ok_and(|y| (1900..2030).contains(&y));
        let name = if trio[1] == "al" { before_et } else { trio[1] };
        if trio[1] == "et" {
            before_et = trio[0];
        }
        if is_year && name.starts_with(char::is_uppercase) && name.contains(char::is_lowercase) {
            cited += 1;
            let listed = list
                .lines()
                .any(|l| l.contains(name) && l.contains(trio[2]));
            assert!(listed, "{name} {}", trio[2]);
        }
    }
    assert!(cited > 10, "{cited}");
    assert!(list.contains("- Kish, L. 1965."));
}

#[test]
fn every_interval_method_that_names_a_work_has_it_in_the_list() {
    for method in [
        IntervalMethod::Wilson,
        IntervalMethod::Exact,
        IntervalMethod::AgrestiCoull,
        IntervalMethod::NewcombeDifference,
        IntervalMethod::DeLong,
    ] {
        let words = method.to_string();
        assert_eq!(references::cited_in(&words).len(), 1, "{words}");
    }
}

#[test]
fn an_estimate_that_is_not_given_says_why_in_place_of_its_figures() {
    let why = "a cut decided who was checked";
    let mut sources = whole();
    let evaluation = sources.evaluation.as_mut().unwrap();
    let estimates = &mut evaluation.verification.as_mut().unwrap().estimates;
    estimates[0].recall = None;
    estimates[0].not_given = Some(format!("Not given: {why}."));
    let report = Report::of(&sources).unwrap();
    for text in [&report.methods, &report.page] {
        assert!(text.contains(why));
        assert!(!text.contains("patch was checked depended on its score only"));
    }
    assert!(!report.methods.contains("recall not defined"));
}

#[test]
fn what_a_figure_is_of_stands_beside_it() {
    let mut sources = whole();
    sources.ledger = sources.ledger.map(|ledger| LedgerView {
        patches: 794,
        unchecked: 218,
        ..ledger
    });
    if let Some(novelty) = sources.evaluation.as_mut().and_then(|e| e.novelty.as_mut()) {
        novelty.left_out.push(LeftOutClass {
            class: "opal".to_string(),
            patches: 60,
            called_novel: merit(0.4, 0.1),
        });
    }
    let report = Report::of(&sources).unwrap();
    let told =
        "Limits for calcite are by score interval (Wilson 1927). Limits for opal are by bootstrap";
    assert!(report.page.contains(told));
    let methods = &report.methods;
    for told in [
        "Another 8 unchecked patches, too faint or without color, took no part.",
        "Precision is here at the ledger's weighted share of positives, 0.083, not at the field's, which was taken to be 0.012.",
        "(48 of 576 patches as counted)",
        "A log loss takes no probability as smaller than 0.000001, so that one mistake made in full certainty counts 13.8 ",
        "At cuts set in the same way without the site that was judged, a share of 0.014",
        "Those of the figures of a single site (at the effective number of patches) and the share called novel of calcite, \
         treated as never seen, are by score interval (Wilson 1927).",
        "the share called novel of opal, treated as never seen, are by bootstrap over groups",
    ] {
        assert!(methods.contains(told), "{told} in\n{methods}");
    }
    let caption = |name: &str| {
        let found = report.figures.iter().find(|(_, f)| f.name == name);
        found.unwrap().1.description.clone()
    };
    assert!(caption("groups").contains("Limits of a single site: score interval (Wilson 1927)"));
    assert!(
        caption("precision-recall")
            .contains("In the field 1.2 % are taken to be positive: they are rarer")
    );
    assert!(caption("cost").contains("There the expected cost is 158 (97 to 219)"));
    assert!(caption("reliability").contains("Shares are weighted"));
}

#[test]
fn the_methods_tell_what_was_assumed_and_what_was_found() {
    let methods_of = |change: &dyn Fn(&mut Rig)| {
        let mut rig = calibrated();
        change(&mut rig);
        let sources = Sources {
            rig: Some(rig),
            ..whole()
        };
        Report::of(&sources).unwrap().methods
    };
    let white = |rig: &mut Rig| {
        rig.white = Some(WhiteRecord {
            net_signal: [0.1; 3],
            sd: [0.001; 3],
            captures: 1,
        });
    };
    let without = methods_of(&|_| ());
    assert!(without.contains("was not measured, as no white target was recorded"));
    let assumed = methods_of(&white);
    assert!(assumed.contains("was taken, a share that was assumed and not measured."));
    let found = methods_of(&|rig| {
        white(rig);
        rig.leak.ground_patches = 12;
    });
    assert!(found.contains("was taken, as found from 12 patches of ground"));
    assert!(found.contains("that share was assumed and not measured"));
}

#[test]
fn the_methods_tell_the_final_model_and_what_it_is_worth() {
    let report = Report::of(&whole()).unwrap();
    for told in [
        "In the 9 folds the settings chosen were “linear terms, C = 10” 6 times and “linear terms, C = 1” 3 times, and the \
         correction of probabilities was “none” 9 times.",
        "with the settings that the same rule chooses there: “linear terms, C = 10”.",
        "Its probabilities of a positive were corrected by a logistic curve of slope 0.91 and intercept −0.07 on their logit.",
        "Per 1000 glowing patches it is 8.7 (7.5 to 9.9) by the recommended cut, −7.80 for walking to everything and 0 for \
         walking to nothing: the model is worth more than walking to nothing.",
        "At a factor of 1 recall is 0.740 and not the 0.780 of the correction",
        "There is only 1 group: how much they differ is hardly known",
    ] {
        assert!(
            report.methods.contains(told),
            "{told} in\n{}",
            report.methods
        );
    }
    for said_once in [
        "a missed bone costs 50",
        "where a walk is just worth it",
        "expect 1 bone in 7 walks",
    ] {
        assert!(
            report.methods.to_lowercase().matches(said_once).count() <= 1,
            "{said_once}"
        );
    }
    let walking_everywhere_is_better = Sources {
        thresholds: Some(Thresholds {
            net_benefit_everywhere: Some(0.0095),
            ..thresholds()
        }),
        ..whole()
    };
    let methods = Report::of(&walking_everywhere_is_better).unwrap().methods;
    assert!(
        methods.contains("worth no more than walking to everything."),
        "{methods}"
    );
}

#[test]
fn a_strip_that_contradicts_the_prevalence_is_remarked_beside_its_row() {
    let mut sources = whole();
    sources.strips[0].result.walks = 30;
    let report = Report::of(&sources).unwrap();
    check(&report);
    let told = "On strip north-1 30 places are to be walked to where 40 patches glow";
    assert_eq!(report.page.matches(told).count(), 3);
    assert!(report.warnings.iter().any(|w| w.starts_with(told)));
    assert!(
        !Report::of(&whole())
            .unwrap()
            .page
            .contains("places are to be walked to where")
    );
}

#[test]
fn a_tiny_prevalence_is_told_with_its_digits() {
    let mut sources = whole();
    let tiny = |value: f64| Merit {
        value,
        low: Some(value / 10.0),
        high: Some(10.0 * value),
        method: String::new(),
    };
    if let Some(found) = &mut sources.thresholds {
        found.probability = tiny(3.1e-9);
        found.prior = FieldPrevalence::stated(2e-7, 0.083);
    }
    let report = Report::of(&sources).unwrap();
    for told in [
        "3.1·10^−9 (3.1·10^−10 to 3.1·10^−8)",
        "taken to be 2.0·10^−7;",
    ] {
        assert!(
            report.methods.contains(told),
            "{told} in\n{}",
            report.methods
        );
    }
    assert!(!report.methods.contains("0.0000000"));
}

#[test]
fn the_same_season_gives_the_same_bytes() {
    let once = Report::of(&whole()).unwrap();
    let again = Report::of(&whole()).unwrap();
    assert_eq!(once.page, again.page);
    assert_eq!(once.methods, again.methods);
}

/// A season folder with the demo's ledger and a rig that was never calibrated.
fn season_in(folder: &std::path::Path) -> Season {
    let demo = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("reference-spectra-demo");
    for name in ["spring", "summer", "autumn"] {
        let table = format!("ledger/{name}.csv");
        let bytes = files::read(&demo.join(&table)).unwrap();
        files::write_whole(&folder.join(&table), &bytes).unwrap();
    }
    let text = "name = \"Invented basin\"\n[rig]\nname = \"test rig\"\nfilter_cut_on_nm = 480\n\
                [calibration]\nassume = \"srgb\"\n[ledger]\nfiles = [\"ledger/*.csv\"]\npositive = [\"bone\"]\n";
    files::write_whole(&folder.join("season.toml"), text.as_bytes()).unwrap();
    Season::read(folder).unwrap()
}

#[test]
fn a_report_is_written_from_what_lies_in_results() {
    let folder = tempfile::tempdir().unwrap();
    let season = season_in(folder.path());
    let nothing = write(&season).unwrap_err();
    assert!(
        nothing.to_string().contains("boneglow calibrate"),
        "{nothing}"
    );
    assert!(!season.result("").exists());

    let rig = files::Document::new(crate::calibration::FORMAT, Provenance::default(), assumed());
    rig.write(&season.result("rig.json")).unwrap();
    let stale = season.result("figures/roc.svg");
    files::write_whole(&stale, b"of an earlier report").unwrap();
    let summary = write(&season).unwrap();
    assert!(!stale.exists());
    let names: Vec<String> = summary.files.iter().map(|f| season.name_of(f)).collect();
    assert_eq!(
        names,
        [
            "results/figures/response.svg",
            "results/figures/chromaticity.svg",
            "results/methods.md",
            "results/report.html"
        ]
    );
    let page = std::fs::read_to_string(season.result("report.html")).unwrap();
    assert!(
        page.contains("Not calibrated") && page.contains("No classifier has been evaluated yet")
    );
    let sources = Sources::gather(&season).unwrap();
    let report = Report::of(&sources).unwrap();
    trial::keep_as(&report.figures[1].1, "chromaticity-demo");
    let ledger = sources.ledger.unwrap();
    assert_eq!(ledger.patches, ledger.checked + ledger.unchecked);
    let drawn: usize = ledger.glows.iter().map(|g| g.points.len()).sum();
    assert!(drawn > 0 && drawn <= ledger.checked);
}

#[test]
fn a_result_of_another_version_is_an_error_that_names_it() {
    let folder = tempfile::tempdir().unwrap();
    let season = season_in(folder.path());
    let rig = files::Document::new("boneglow-rig/99", Provenance::default(), assumed());
    rig.write(&season.result("rig.json")).unwrap();
    let error = write(&season).unwrap_err().to_string();
    assert!(
        error.contains("rig.json") && error.contains("boneglow-rig/99"),
        "{error}"
    );
    assert!(!season.result("report.html").exists());
}

#[test]
fn the_demos_calibration_and_its_nights_are_drawn() {
    let demo = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("reference-spectra-demo");
    let season = Season::read(&demo).unwrap();
    let rig = crate::calibration::calibrate(&season).unwrap();
    let later = ["2031-05-09", "2031-07-30", "2031-09-19", "2031-10-17"];
    let tables = later.map(|night| demo.join(format!("targets/night-{night}.csv")));
    let drift = crate::calibration::drift(&season, &rig, &tables).unwrap();
    let sources = Sources {
        ledger: Some(LedgerView::read(&season, Some(&rig)).unwrap()),
        rig: Some(rig),
        drift: Some(drift),
        ..empty(season.plan.clone())
    };
    let report = Report::of(&sources).unwrap();
    check(&report);
    keep(&report, "demo");
    let names: Vec<&str> = report
        .figures
        .iter()
        .map(|(_, f)| f.name.as_str())
        .collect();
    assert_eq!(
        names,
        [
            "response",
            "noise",
            "residuals",
            "left-out-targets",
            "uncertainty-budget",
            "drift",
            "chromaticity"
        ]
    );
}

#[test]
fn nights_that_were_not_tested_or_are_left_out_are_told_as_such() {
    let mut sources = whole();
    let nights = ["2031-04-11", "2031-05-09", "2031-06-01"];
    let ledger = sources.ledger.as_mut().unwrap();
    ledger.nights = nights.map(|night| (night.to_string(), 9)).into();
    sources.calibration_nights = [nights[0].to_string()].into();
    let told = sources.warnings().join("\n");
    assert!(
        told.contains("so not tested for drift: 2031-06-01\n"),
        "{told}"
    );
    assert!(told.contains("On 2031-07-30 color had drifted"), "{told}");

    sources.plan.ledger.leave_out_nights = vec!["2031-07-30".to_string()];
    let told = sources.warnings().join("\n");
    assert!(!told.contains("color had drifted"), "{told}");
    assert!(
        told.contains(
            "On 2031-07-30 the rig was not what was calibrated; the ledger leaves this night out"
        ),
        "{told}"
    );
    let report = Report::of(&sources).unwrap();
    check(&report);
    assert!(report.page.contains("left out of the ledger"));
    assert!(report.methods.contains("The ledger leaves this night out."));
}
