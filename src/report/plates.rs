//! From the results to the figures that they allow.

use super::figures::*;
use super::sources::Sources;
use super::text::sentence;
use crate::Result;
use crate::calibration::{Drift, Rig, TargetResult};
use crate::colorimetry::{Observer, spectral_locus_uv};
use crate::evaluation::{ClassifierEvaluation, Evaluation, Merit, PrevalenceSource};
use crate::planning::{CheckKind, KindForecast, RecallForecast};
use crate::season::{ChromaticityKind, Policy};
use crate::signal::{
    BitDepth, CodeValues, LinearSignal, MeasuredCurve, MeasuredResponse, Response, Step,
};
use crate::threshold::Thresholds;

const CHANNELS: [&str; 3] = ["red", "green", "blue"];

/// The part of the report that a figure belongs to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Part {
    /// What color the rig measures.
    Calibration,
    /// Whether the rig is still what it was.
    Drift,
    /// What was found on the ground.
    Ledger,
    /// How well the classifiers do.
    Evaluation,
    /// Where the cut is set.
    Decision,
    /// What to check next.
    Next,
}

/// Every figure that the sources allow, in the order of the report.
pub fn plates(sources: &Sources) -> Result<Vec<(Part, Figure)>> {
    let mut plates = Vec::new();
    if let Some(rig) = &sources.rig {
        for figure in of_rig(rig, sources)? {
            plates.push((Part::Calibration, figure));
        }
    }
    if let Some(nights) = sources.drift.as_ref().filter(|d| !d.nights.is_empty()) {
        plates.push((
            Part::Drift,
            drift_of(nights, sources.plan.calibration.drift_limit_uv())?,
        ));
    }
    if let Some(figure) = diagram(sources)? {
        plates.push((Part::Ledger, figure));
    }
    if let Some(evaluation) = &sources.evaluation {
        let group = &sources.plan.ledger.group;
        for figure in of_evaluation(evaluation, sources.thresholds.as_ref(), group)? {
            plates.push((Part::Evaluation, figure));
        }
    }
    if let Some(thresholds) = &sources.thresholds {
        for figure in of_thresholds(sources, thresholds)? {
            plates.push((Part::Decision, figure));
        }
    }
    let next = sources.next_walk.as_ref().and_then(|w| w.forecast.as_ref());
    if let Some((found, most)) = next.and_then(|found| Some((found, found.kinds.first()?))) {
        plates.push((Part::Next, forecast_of(found, most)?));
    }
    Ok(plates)
}

/// What checks do of the kind that leaves most uncertain.
fn forecast_of(found: &RecallForecast, most: &KindForecast) -> Result<Figure> {
    let named = |sites: usize| match sites {
        0 => "no further site".to_string(),
        n => format!("{n} further sites"),
    };
    forecast(&Forecast {
        checks: match most.kind {
            CheckKind::Any => "ground checks",
            CheckKind::Certain => "checks of flagged places",
            CheckKind::Audit => "audits of places drawn at random",
        },
        series: most
            .sites
            .iter()
            .map(|s| {
                let widths = s.widths.iter();
                (
                    named(s.further_sites),
                    widths
                        .map(|(checks, width)| [*checks as f64, *width])
                        .collect(),
                )
            })
            .collect(),
        today: found.width_today,
        wanted: Some(found.wanted),
        confidence: found.confidence,
    })
}

fn locus() -> Vec<(f64, [f64; 2])> {
    spectral_locus_uv(Observer::Cie1931)
        .iter()
        .map(|(nm, c)| (*nm, [c.u, c.v]))
        .collect()
}

fn of_rig(rig: &Rig, sources: &Sources) -> Result<Vec<Figure>> {
    let mut figures = vec![response_of(rig)?];
    if rig.noise.measured && !rig.noise_points.is_empty() {
        figures.push(noise(&noise_channels(rig))?);
    }
    if rig.targets.is_empty() {
        return Ok(figures);
    }
    let unseen = rig.targets.iter().all(|t| t.left_out_uv.is_some());
    let targets: Vec<Residual> = rig
        .targets
        .iter()
        .map(|t| Residual {
            target: t.target.clone(),
            reference: t.reference_uv,
            measured: t.left_out_uv.filter(|_| unseen).unwrap_or(t.measured_uv),
            covariance: Some([
                [t.covariance[0][0], t.covariance[0][1]],
                [t.covariance[1][0], t.covariance[1][1]],
            ]),
        })
        .collect();
    figures.push(residuals(&targets, &locus(), unseen)?);
    if unseen {
        let distance = |a: [f64; 2], b: [f64; 2]| (a[0] - b[0]).hypot(a[1] - b[1]);
        let rows: Vec<LeftOut> = rig
            .targets
            .iter()
            .filter_map(|t| {
                Some(LeftOut {
                    target: t.target.clone(),
                    fitted: distance(t.measured_uv, t.reference_uv),
                    left_out: distance(t.left_out_uv?, t.reference_uv),
                    leverage: Some(t.leverage),
                })
            })
            .collect();
        figures.push(left_out(&rows, sources.plan.calibration.max_error_uv)?);
    }
    figures.push(budget_of(rig)?);
    Ok(figures)
}

fn drift_of(found: &Drift, allowed: f64) -> Result<Figure> {
    let nights: Vec<DriftNight> = found
        .nights
        .iter()
        .map(|n| DriftNight {
            night: n.night.clone(),
            targets: n
                .targets
                .iter()
                .map(|t| DriftTarget {
                    target: t.target.clone(),
                    shift_uv: t.shift_uv,
                    sd_uv: t.sd_uv,
                })
                .collect(),
            drifted: n.drifted,
            brightness: n.brightness.map(|b| Span::new(b.value, b.low, b.high)),
            brightness_changed: n.brightness_changed,
        })
        .collect();
    drift(&nights, found.confidence, allowed)
}

fn noise_channels(rig: &Rig) -> Vec<NoiseChannel> {
    CHANNELS
        .iter()
        .enumerate()
        .map(|(channel, name)| {
            let points: Vec<[f64; 2]> = rig
                .noise_points
                .iter()
                .filter(|p| p.channel == channel && p.signal > 0.0 && p.variance > 0.0)
                .map(|p| [p.signal, p.variance])
                .collect();
            let low = points.iter().map(|p| p[0]).fold(0.1, f64::min);
            let high = points.iter().map(|p| p[0]).fold(0.1, f64::max);
            let curve = (0..=60)
                .map(|i| low * (high / low).powf(f64::from(i) / 60.0))
                .map(|net| [net, rig.pixel_variance(channel, net)])
                .collect();
            NoiseChannel {
                name: name.to_string(),
                points,
                curve,
                read_sd: rig.noise.read_sd[channel],
                gain: rig.noise.gain[channel],
            }
        })
        .collect()
}

/// The parts of the targets' covariances in u', v', as root mean squares over the targets.
fn budget_of(rig: &Rig) -> Result<Figure> {
    let mean = |of: &dyn Fn(&TargetResult) -> f64| {
        rig.targets.iter().map(of).sum::<f64>() / rig.targets.len() as f64
    };
    let trace = |m: [[f64; 2]; 2]| m[0][0] + m[1][1];
    let all = mean(&|t| t.covariance[0][0] + t.covariance[1][1]);
    let repeat = mean(&|t| trace(t.repeatability));
    let misfit = trace(rig.uncertainty.lack_of_fit);
    let part = |source: &str, variance: f64| BudgetPart {
        source: source.to_string(),
        uv: variance.max(0.0).sqrt(),
    };
    let parts = [
        part("noise and laser leak", repeat),
        part("calibration", all - repeat - misfit),
        part(model_part(rig), misfit),
    ];
    budget(&parts, "root mean square over the reference targets")
}

/// What the part of the mapping is known from.
fn model_part(rig: &Rig) -> &'static str {
    match rig.uncertainty.rests_on_glows() {
        true => "misfit at computed glows",
        false => "targets' lack of fit",
    }
}

fn response_of(rig: &Rig) -> Result<Figure> {
    let largest = rig.bit_depth.largest();
    let curve: Vec<[f64; 2]> = (0..=128)
        .map(|i| largest * f64::from(i) / 128.0)
        .filter(|code| (0..3).all(|c| *code <= rig.response.largest_code(c, rig.bit_depth)))
        .filter_map(|code| {
            let signal = rig.response.signal(CodeValues([code; 3]), rig.bit_depth);
            Some([signal.ok()?.0[0], code])
        })
        .collect();
    let standard = |kind: &str| {
        let channels: Vec<ResponseChannel> = match rig.steps.is_empty() {
            true => vec![ResponseChannel {
                name: "all channels".to_string(),
                curve: curve.clone(),
                steps: Vec::new(),
                residuals: Vec::new(),
            }],
            false => CHANNELS
                .iter()
                .enumerate()
                .map(|(channel, name)| checked_channel(rig, channel, name, &curve))
                .collect(),
        };
        response(&channels, Some(kind))
    };
    match &rig.response {
        Response::Srgb => standard("that of IEC 61966-2-1"),
        Response::Bt709 => standard("that of ITU-R BT.709"),
        Response::Linear => standard("linear"),
        Response::Measured(measured) => response(&measured_channels(measured, rig.bit_depth), None),
    }
}

/// The steps where their exposure puts them, beside the curve that was taken for granted.
fn checked_channel(rig: &Rig, channel: usize, name: &str, curve: &[[f64; 2]]) -> ResponseChannel {
    let black = rig.black.signal[channel];
    let mut steps = Vec::new();
    let mut residuals = Vec::new();
    for step in &rig.steps {
        let code = step.code[channel];
        let recorded = rig.response.signal(CodeValues(step.code), rig.bit_depth);
        let (Ok(recorded), ratio) = (recorded, step.ratio[channel]) else {
            continue;
        };
        let expected = black + (recorded.0[channel] - black) / ratio;
        if expected.is_finite() {
            let codes = rig
                .response
                .codes(LinearSignal([expected; 3]), rig.bit_depth);
            steps.push([expected, code]);
            residuals.push(code - codes.0[channel]);
        }
    }
    ResponseChannel {
        name: name.to_string(),
        curve: curve.to_vec(),
        steps,
        residuals,
    }
}

fn measured_channels(measured: &MeasuredResponse, depth: BitDepth) -> Vec<ResponseChannel> {
    CHANNELS
        .iter()
        .zip(&measured.channels)
        .map(|(name, curve)| {
            let codes = |encoded: f64| encoded * depth.largest();
            let (first, last) = (curve.first_code(), curve.last_code());
            ResponseChannel {
                name: name.to_string(),
                curve: (0..=128)
                    .map(|i| first + (last - first) * f64::from(i) / 128.0)
                    .map(|encoded| [curve.decode(encoded), codes(encoded)])
                    .collect(),
                steps: curve.steps().map(|(code, e)| [e, codes(code)]).collect(),
                residuals: residuals_of(curve, depth),
            }
        })
        .collect()
}

/// Code value of each inner step less that of the curve through the others; 0 at the ends, which
/// no curve reaches without them.
fn residuals_of(curve: &MeasuredCurve, depth: BitDepth) -> Vec<f64> {
    let steps: Vec<(f64, f64)> = curve.steps().collect();
    let last = steps.len().saturating_sub(1);
    (0..steps.len())
        .map(|left_out| {
            let others: Vec<Step> = steps
                .iter()
                .enumerate()
                .filter(|(i, _)| *i != left_out)
                .map(|(_, (code, exposure))| Step {
                    relative_exposure: *exposure,
                    codes: CodeValues([code * depth.largest(); 3]),
                })
                .collect();
            let (code, exposure) = steps[left_out];
            match MeasuredResponse::from_steps(&others, depth) {
                Ok(rest) if left_out > 0 && left_out < last => {
                    depth.largest() * (code - rest.channels[0].encode(exposure))
                }
                _ => 0.0,
            }
        })
        .collect()
}

fn diagram(sources: &Sources) -> Result<Option<Figure>> {
    let Some(ledger) = &sources.ledger else {
        return Ok(None);
    };
    let Some(rig) = &sources.rig else {
        return Ok(None);
    };
    if ledger.glows.iter().all(|g| g.points.is_empty()) {
        return Ok(None);
    }
    let region = sources
        .thresholds
        .as_ref()
        .map_or(&[][..], |t| &t.region_uv);
    let meaning = match (rig.calibrated, rig.chromaticity) {
        (false, _) => "The colors are not calibrated: they rest on assumed primaries.",
        (true, ChromaticityKind::ThroughFilter) => {
            "Chromaticities are those of the light that passes the filter."
        }
        (true, ChromaticityKind::Emission) => "Chromaticities are those of the whole emission.",
    };
    let figure = chromaticity(&Chromaticities {
        classes: &ledger.glows,
        positive: &sources.plan.ledger.positive,
        region,
        region_at: sources
            .thresholds
            .as_ref()
            .and_then(|t| t.region_log_luminance),
        locus: &locus(),
        meaning,
    })?;
    Ok(Some(figure))
}

fn span_of(merit: &Option<Merit>) -> Option<Span> {
    merit.as_ref().map(Span::from)
}

fn of_evaluation(
    evaluation: &Evaluation,
    thresholds: Option<&Thresholds>,
    group: &str,
) -> Result<Vec<Figure>> {
    let mut figures = vec![confusion(&Confusions {
        truths: &evaluation.labels,
        called: &evaluation.labels,
        counts: &evaluation.confusion,
        classifier: &evaluation.chosen,
        rule: &sentence(evaluation.confusion_rule.clone()),
    })?];
    let curves = |points: fn(&ClassifierEvaluation) -> &Vec<[f64; 2]>,
                  summary: fn(&ClassifierEvaluation) -> &Option<Merit>| {
        evaluation
            .classifiers
            .iter()
            .filter(|c| !points(c).is_empty())
            .map(|c| RankingCurve {
                name: c.name.clone(),
                points: points(c).clone(),
                summary: span_of(summary(c)),
                chosen: c.name == evaluation.chosen,
            })
            .collect::<Vec<_>>()
    };
    let chosen = evaluation
        .classifiers
        .iter()
        .find(|c| c.name == evaluation.chosen);
    let value = |merit: fn(&ClassifierEvaluation) -> &Option<Merit>| {
        chosen.and_then(|c| merit(c).as_ref()).map(|m| m.value)
    };
    let recall = value(|c| &c.recall);
    let false_alarms = value(|c| &c.specificity).map(|s| 1.0 - s);
    let operating = false_alarms.zip(recall).map(|(x, y)| [x, y]);
    figures.push(roc(&curves(|c| &c.roc, |c| &c.auc), operating)?);
    let operating = recall.zip(value(|c| &c.precision)).map(|(x, y)| [x, y]);
    let prior = thresholds.map_or(&evaluation.prevalence, |t| &t.prior);
    let field = (prior.source != PrevalenceSource::Ledger).then_some(prior.value);
    figures.push(precision_recall(
        &curves(|c| &c.precision_recall, |c| &c.average_precision),
        prior.ledger,
        field,
        operating,
    )?);
    if let Some(chosen) = chosen.filter(|c| !c.reliability.is_empty()) {
        let bins: Vec<ReliabilityBin> = chosen
            .reliability
            .iter()
            .map(|p| ReliabilityBin {
                predicted: p.stated,
                observed: Span::new(p.observed, p.low, p.high),
                count: p.patches as u64,
            })
            .collect();
        figures.push(reliability(
            &bins,
            &chosen.name,
            evaluation.protocol.weighted,
        )?);
    }
    let rows: Vec<GroupFigures> = evaluation
        .groups
        .iter()
        .map(|g| GroupFigures {
            group: g.group.clone(),
            patches: g.patches as u64,
            positives: g.positives as u64,
            recall: span_of(&g.recall),
            precision: span_of(&g.precision),
        })
        .collect();
    let pooled = GroupFigures {
        group: "all".to_string(),
        patches: evaluation.protocol.patches as u64,
        positives: evaluation.protocol.positives as u64,
        recall: chosen.and_then(|c| span_of(&c.recall)),
        precision: chosen.and_then(|c| span_of(&c.precision)),
    };
    if !rows.is_empty() {
        let intervals = intervals_of_groups(evaluation, chosen, group);
        figures.push(groups(&rows, &pooled, group, &intervals)?);
    }
    Ok(figures)
}

/// How the limits of the figures by group were made, and at which share of positives.
fn intervals_of_groups(
    evaluation: &Evaluation,
    chosen: Option<&ClassifierEvaluation>,
    group: &str,
) -> String {
    let (weighted, effective) = match evaluation.protocol.weighted {
        true => (
            "Recall and precision are weighted as the ledger was sampled, the numbers of patches are not. ",
            ", at the effective number of patches",
        ),
        false => ("", ""),
    };
    let single = evaluation
        .groups
        .iter()
        .find_map(|g| g.recall.as_ref().or(g.precision.as_ref()));
    let pooled = chosen.and_then(|c| c.recall.as_ref().or(c.precision.as_ref()));
    let mut told = format!("{weighted}Precision is at the ledger's share of positives.");
    if let Some(merit) = single {
        told += &format!(" Limits of a single {group}: {}{effective}.", merit.method);
    }
    if let Some(merit) = pooled {
        told += &format!(" Limits over all: {}.", merit.method);
    }
    told
}

fn of_thresholds(sources: &Sources, thresholds: &Thresholds) -> Result<Vec<Figure>> {
    let plan = &sources.plan.threshold;
    let mut figures = Vec::new();
    if !thresholds.curve.is_empty() {
        figures.push(cost(&CostCurve {
            points: {
                let mut points: Vec<(f64, Span)> = thresholds
                    .curve
                    .iter()
                    .map(|p| (p.probability, Span::bare(p.cost)))
                    .collect();
                points.sort_by(|a, b| a.0.total_cmp(&b.0));
                points
            },
            chosen: Span::from(&thresholds.probability),
            expected: thresholds.expected.cost.as_ref().map(Span::from),
            by_cost: thresholds.policy == Policy::Cost,
            missed_cost: plan.missed_bone_cost,
            walk_cost: plan.wasted_walk_cost,
            prevalence: thresholds.prior.value,
            confidence: plan.confidence,
        })?);
    }
    if !thresholds.decision_curve.is_empty() {
        let points = thresholds.decision_curve.iter();
        let expected = thresholds.expected.net_benefit.as_ref();
        figures.push(decision_curve(&DecisionCurve {
            models: vec![BenefitCurve {
                name: thresholds.classifier.clone(),
                points: points
                    .map(|p| (p.threshold, Span::bare(p.classifier)))
                    .collect(),
            }],
            prevalence: thresholds.prior.value,
            season: plan.wasted_walk_cost / (plan.wasted_walk_cost + plan.missed_bone_cost),
            at_costs: expected
                .map(Span::from)
                .zip(thresholds.net_benefit_everywhere),
        })?);
    }
    Ok(figures)
}
