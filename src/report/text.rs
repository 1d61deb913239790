//! Templates and the words that they put numbers into.

use super::drift_words::{self, RigThen};
use super::figures::Span;
use super::freshness::Older;
use super::numbers;
use super::references;
use super::sources::Sources;
use super::strip_words;
use crate::calibration::{DriftNight, Rig, Stray, TargetResult};
use crate::classify::ProbabilityCalibration;
use crate::evaluation::{
    ClassifierEvaluation, Evaluation, FoldChoice, LEAST_PROBABILITY, Merit, Opening,
};
use crate::files;
use crate::strip::StripCheck;
use crate::threshold::Thresholds;
use crate::{Error, Result};
use minijinja::value::{Serde, Value, ValueKind};
use minijinja::{Environment, UndefinedBehavior, context};
use serde::Serialize;
use std::collections::BTreeMap;

/// The templates by name; those that end in `.html` escape what they are given.
const TEMPLATES: [(&str, &str); 2] = [
    ("methods.md", include_str!("templates/methods.md")),
    ("report.html", include_str!("templates/report.html")),
];

/// Fills a template in.
pub(super) fn fill(name: &str, values: Value) -> Result<String> {
    let refused = |e: minijinja::Error| {
        let told = format!("the template {name} cannot be filled in: {e}");
        Error::input(told).remedy("call the earlier steps again with this version")
    };
    let environment = environment().map_err(refused)?;
    let template = environment.get_template(name).map_err(refused)?;
    template.render(values).map_err(refused)
}

fn environment() -> std::result::Result<Environment<'static>, minijinja::Error> {
    let mut environment = Environment::new();
    environment.set_debug(false);
    environment.set_undefined_behavior(UndefinedBehavior::SemiStrict);
    for (name, text) in TEMPLATES {
        environment.add_template(name, text)?;
    }
    environment.add_filter("span", span);
    environment.add_filter("estimate", estimate);
    environment.add_filter("limits", limits_of);
    environment.add_filter("column", column);
    environment.add_filter("percent_estimate", percent_estimate);
    environment.add_filter("percent_limits", percent_limits);
    environment.add_filter("uv", |v: f64| numbers::fixed(v, 4));
    environment.add_filter("percent", numbers::percent);
    environment.add_filter("significant", |v: f64, n: usize| numbers::significant(v, n));
    environment.add_filter("number", number);
    environment.add_filter("prevalence", prevalence);
    environment.add_filter("ground", ground);
    environment.add_filter("maybe", |v: Option<f64>, n: usize| {
        v.map_or("–".to_string(), |v| numbers::fixed(v, n))
    });
    environment.add_filter("share", |v: Option<f64>| {
        v.map_or("–".to_string(), numbers::percent)
    });
    environment.add_filter("chance", numbers::chance);
    environment.add_filter("chance_span", chance_span);
    environment.add_filter("chance_estimate", chance_estimate);
    environment.add_filter("chance_limits", chance_limits);
    environment.add_filter("as_stated", numbers::as_stated);
    environment.add_filter("probability", probability);
    environment.add_filter("p_value", |p: f64| match probability(p) {
        below if below.starts_with("below") => format!("p {below}"),
        value => format!("p = {value}"),
    });
    environment.add_filter("sd_uv", sd_uv);
    environment.add_filter("counted", counted);
    environment.add_filter("names", names);
    environment.add_filter("features", |v: Vec<String>| {
        names(v.iter().map(|f| feature(f)).collect())
    });
    environment.add_filter("classifier", |name: String| classifier(&name).to_string());
    environment.add_filter("verification", |name: String| {
        verification(&name).to_string()
    });
    environment.add_filter("figure", |name: String| figure(&name).to_string());
    environment.add_filter("stop", |name: String| stop(&name).to_string());
    environment.add_filter("sentence", sentence);
    environment.add_filter("md", markdown_escaped);
    Ok(environment)
}

/// What all templates may name.
pub(super) fn values(sources: &Sources) -> Value {
    let chosen = sources.evaluation.as_ref().and_then(|e| {
        let mut classifiers = e.classifiers.iter();
        classifiers.find(|c| c.name == e.chosen)
    });
    let rig = sources.rig.as_ref();
    let allowed = sources.plan.calibration.drift_limit_uv();
    let lack_of_fit = sources.rig.as_ref().map(|rig| {
        let acting = rig.uncertainty.lack_of_fit;
        let of_targets = rig.uncertainty.lack_of_fit_of_targets.unwrap_or(acting);
        let sd = |covariance: [[f64; 2]; 2], i: usize| covariance[i][i].max(0.0).sqrt();
        BTreeMap::from([
            ("u", sd(acting, 0)),
            ("v", sd(acting, 1)),
            ("targets_u", sd(of_targets, 0)),
            ("targets_v", sd(of_targets, 1)),
        ])
    });
    let files: Vec<BTreeMap<&str, &str>> = sources
        .made_from
        .entries()
        .map(|(name, digest)| BTreeMap::from([("name", name), ("digest", digest)]))
        .collect();
    context! {
        plan => plain(&sources.plan),
        response => plain(&sources.plan.rig.response),
        rig => plain(&sources.rig),
        lacks_rig => sources.lacks_rig(),
        lack_of_fit => plain(&lack_of_fit),
        left_out_targets => plain(&left_out_targets(sources)),
        strays => plain(&rig.and_then(strays)),
        rests_on_glows => rig.is_some_and(|rig| rig.uncertainty.rests_on_glows()),
        drift => plain(&sources.drift),
        drift_moved => plain(&by_night(sources, drift_words::moved)),
        drift_sizes => plain(&by_night(sources, |n| drift_words::size_of_shift(n, rig, allowed))),
        drift_limit => allowed,
        untested_nights => plain(&drift_words::untested(sources)),
        own_uv => plain(&rig.and_then(drift_words::standard_uncertainty)),
        ledger => plain(&sources.ledger),
        evaluation => plain(&sources.evaluation),
        model => plain(&sources.model),
        model_correction => sources.model.as_ref().map(|m| correction(&m.correction)),
        fold_choices => fold_choices(chosen),
        half_patch => sources.evaluation.as_ref().and_then(half_patch),
        worth => sources.thresholds.as_ref().and_then(worth),
        chosen => plain(&chosen),
        novelty_methods => plain(&novelty_methods(sources)),
        interval_methods => plain(&interval_methods(sources)),
        thresholds => plain(&sources.thresholds),
        comparison => plain(&sources.comparison),
        older => plain(&older(sources)),
        older_openings => plain(&sources.older_openings),
        disagreement => sources.comparison.as_ref().and_then(|c| c.mcnemar.as_ref()).map(|d| d.in_words()),
        locked => plain(&sources.locked),
        locked_warnings => plain(&sources.locked.iter().flat_map(|l| &l.openings).map(Opening::warnings).collect::<Vec<_>>()),
        next_walk => plain(&sources.next_walk),
        forecast_words => plain(&sources.next_walk.as_ref().and_then(|w| w.forecast.as_ref()).map(|f| f.in_words())),
        strips => sources.strips.iter().map(|s| plain(&s.result)).collect::<Vec<_>>(),
        strip_nights => plain(&strip_nights(sources)),
        marked => plain(&marked(sources)),
        mark_rule => plain(&checks(sources).next().map(|check| &check.rule)),
        warnings => plain(&sources.warnings()),
        strip_contradictions => plain(&strip_words::contradictions(sources)),
        limits => plain(&limits(sources)),
        files => plain(&files),
        least_probability => format!("{LEAST_PROBABILITY}"),
        most_log_loss => -LEAST_PROBABILITY.ln(),
        made_by => files::MADE_BY,
    }
}

fn checks(sources: &Sources) -> impl Iterator<Item = &StripCheck> {
    let strips = sources.strips.iter();
    strips.filter_map(|strip| strip.result.check.as_ref())
}

/// Marked positives of each strip: how many were found, and of how many.
fn marked(sources: &Sources) -> Vec<[u64; 2]> {
    let of = |check: &StripCheck| {
        let positive = check.labels.iter().filter(|l| l.positive);
        positive.fold([0, 0], |[f, m], l| [f + l.found, m + l.marked])
    };
    let checks = sources.strips.iter().map(|s| s.result.check.as_ref());
    checks.map(|check| check.map_or([0, 0], of)).collect()
}

/// How far each target is off when it is left out of the fit, and what that speaks for.
fn left_out_targets(sources: &Sources) -> Vec<[String; 2]> {
    let of = |rig: &Rig, target: &TargetResult| {
        let off = target.left_out_error();
        let off = off.map_or("no color".to_string(), |error| numbers::fixed(error, 4));
        let mark = match target.stray(rig.detection.confidence) {
            Some(Stray::Unexplained) => "beyond its own noise",
            Some(Stray::Uncertain) => "within its own noise",
            None => "",
        };
        [off, mark.to_string()]
    };
    let rigs = sources.rig.iter();
    rigs.flat_map(|rig| rig.targets.iter().map(|t| of(rig, t)))
        .collect()
}

/// How single targets were judged, and which are farther off than the others; absent where they are too
/// few to tell.
fn strays(rig: &Rig) -> Option<String> {
    rig.targets.iter().find(|t| t.chance.is_some())?;
    let of = |stray: Stray| -> Vec<String> {
        let confidence = rig.detection.confidence;
        let found = rig.targets.iter();
        let found = found.filter(|t| t.stray(confidence) == Some(stray));
        found.map(|t| t.target.clone()).collect()
    };
    let (unexplained, uncertain) = (of(Stray::Unexplained), of(Stray::Uncertain));
    let those = |found: Vec<String>| {
        let was = if found.len() == 1 { "was" } else { "were" };
        format!("{} {was}", names(found))
    };
    let mut told = format!(
        "Whether a single target was farther off than the others let expect was judged by the median of their errors (Davies and \
         Gather 1993), with a chance of {} to name any target were none off; with noise and leak of each target allowed for, {}.",
        numbers::percent(1.0 - rig.detection.confidence),
        match unexplained.is_empty() {
            true => "none was".to_string(),
            false => those(unexplained),
        }
    );
    if !uncertain.is_empty() {
        told += &format!(
            " By the scatter of the others alone {} farther off, but no more than its own noise and leak explain.",
            those(uncertain)
        );
    }
    Some(told)
}

/// The night of each strip, and what to know of the rig on it; nothing where it is as it should be.
fn strip_nights(sources: &Sources) -> Vec<[String; 2]> {
    let calibrated = sources.rig.as_ref().is_some_and(|rig| rig.calibrated);
    let of = |night: Option<&str>| {
        let (plan, nights) = (&sources.plan, &sources.calibration_nights);
        let then = drift_words::rig_then(night, sources.drift.as_ref(), plan, nights);
        let mark = match then {
            RigThen::Changed if calibrated => "not the rig that was calibrated",
            RigThen::Untested if calibrated => "not tested for drift",
            _ => "",
        };
        [night.unwrap_or("not stated").to_string(), mark.to_string()]
    };
    let strips = sources.strips.iter();
    strips.map(|s| of(s.result.night.as_deref())).collect()
}

/// What to know of results that are not of the present inputs, by the name of the file.
fn older(sources: &Sources) -> BTreeMap<&str, BTreeMap<&str, String>> {
    let told =
        |o: &Older| BTreeMap::from([("title", o.title().to_string()), ("sentence", o.sentence())]);
    let older = sources.older.iter();
    older.map(|o| (o.result.as_str(), told(o))).collect()
}

fn by_night<T>(sources: &Sources, of: impl Fn(&DriftNight) -> Option<T>) -> Vec<Option<T>> {
    let nights = sources.drift.iter().flat_map(|d| &d.nights);
    nights.map(of).collect()
}

fn plain<T: Serialize>(value: &T) -> Value {
    Value::from(Serde(value))
}

fn figure(name: &str) -> &str {
    match name {
        "log_loss" => "log loss",
        "auc" => "area under ROC",
        other => other,
    }
}

fn stop(reason: &str) -> &str {
    match reason {
        "highest" => "most probable",
        "near-cut" => "nearest to the cut",
        "audit" => "drawn at random",
        other => other,
    }
}

/// Classes treated as never seen by how the limits of the share called novel were made.
fn novelty_ways(evaluation: &Evaluation) -> Vec<(&Merit, Vec<String>)> {
    let mut ways: Vec<(&Merit, Vec<String>)> = Vec::new();
    for left_out in evaluation.novelty.iter().flat_map(|n| &n.left_out) {
        let Some(merit) = &left_out.called_novel else {
            continue;
        };
        match ways.iter_mut().find(|(way, _)| way.method == merit.method) {
            Some((_, classes)) => classes.push(left_out.class.clone()),
            None => ways.push((merit, vec![left_out.class.clone()])),
        }
    }
    ways
}

/// How the limits of the shares called novel were made.
fn novelty_methods(sources: &Sources) -> Option<String> {
    let ways = novelty_ways(sources.evaluation.as_ref()?);
    let told: Vec<String> = ways
        .into_iter()
        .map(|(merit, classes)| format!("Limits for {} are by {}.", names(classes), merit.method))
        .collect();
    (!told.is_empty()).then(|| told.join(" "))
}

/// How intervals were made, each way with what it was used for: of the chosen classifier, of single
/// groups, of what is called novel.
fn interval_methods(sources: &Sources) -> Option<String> {
    let evaluation = sources.evaluation.as_ref()?;
    let chosen = evaluation
        .classifiers
        .iter()
        .find(|c| c.name == evaluation.chosen)?;
    let figures = [
        ("log loss", &chosen.log_loss),
        ("area under ROC", &chosen.auc),
        ("average precision", &chosen.average_precision),
        ("recall", &chosen.recall),
        ("precision", &chosen.precision),
        ("specificity", &chosen.specificity),
        ("balanced accuracy", &chosen.balanced_accuracy),
        ("F1", &chosen.f1),
        ("Matthews correlation", &chosen.matthews),
        ("kappa", &chosen.kappa),
        ("the Brier score", &chosen.brier),
        ("the calibration intercept", &chosen.calibration_intercept),
        ("the calibration slope", &chosen.calibration_slope),
    ];
    let mut used_by: Vec<(String, &Merit)> = figures
        .into_iter()
        .filter_map(|(figure, merit)| Some((figure.to_string(), merit.as_ref()?)))
        .collect();
    let of_groups = evaluation
        .groups
        .iter()
        .find_map(|g| g.recall.as_ref().or(g.precision.as_ref()));
    if let Some(merit) = of_groups {
        let effective = match evaluation.protocol.weighted {
            true => " (at the effective number of patches)",
            false => "",
        };
        let group = &sources.plan.ledger.group;
        used_by.push((format!("the figures of a single {group}{effective}"), merit));
    }
    if let Some(novelty) = &evaluation.novelty {
        let known = novelty.known_rate.as_ref();
        used_by.extend(known.map(|m| ("the share of known glows called novel".to_string(), m)));
        let ways = novelty_ways(evaluation).into_iter();
        used_by.extend(ways.map(|(merit, classes)| {
            let what = format!(
                "the share called novel of {}, treated as never seen,",
                names(classes)
            );
            (what, merit)
        }));
    }
    let mut ways: Vec<(&str, Vec<String>)> = Vec::new();
    for (figure, merit) in used_by {
        match ways.iter_mut().find(|(way, _)| *way == merit.method) {
            Some((_, used)) => used.push(figure),
            None => ways.push((&merit.method, vec![figure])),
        }
    }
    let told: Vec<String> = ways
        .into_iter()
        .map(|(way, used)| format!("Those of {} are by {way}.", names(used)))
        .collect();
    (!told.is_empty()).then(|| told.join(" "))
}

/// How the probabilities of the model for the field are corrected.
fn correction(of: &ProbabilityCalibration) -> String {
    match of {
        ProbabilityCalibration::None => "left as the classifier gives them".to_string(),
        ProbabilityCalibration::Platt { slope, intercept } => format!(
            "corrected by a logistic curve of slope {} and intercept {} on their logit",
            numbers::fixed(*slope, 2),
            numbers::fixed(*intercept, 2)
        ),
        ProbabilityCalibration::Isotonic { logits, .. } => {
            format!("corrected by an isotonic curve of {} knots", logits.len())
        }
    }
}

/// What was chosen inside the folds, the most frequent first.
fn fold_choices(chosen: Option<&ClassifierEvaluation>) -> Option<String> {
    let folds = &chosen?.folds;
    let told = |of: fn(&FoldChoice) -> &str| {
        let mut times: Vec<(&str, usize)> = Vec::new();
        for choice in folds.iter().map(of) {
            match times.iter_mut().find(|(name, _)| *name == choice) {
                Some((_, count)) => *count += 1,
                None => times.push((choice, 1)),
            }
        }
        times.sort_by_key(|(_, count)| std::cmp::Reverse(*count));
        let told = times.into_iter().map(|(name, count)| match count {
            1 => format!("“{name}” once"),
            n => format!("“{name}” {n} times"),
        });
        names(told.collect())
    };
    (!folds.is_empty()).then(|| {
        format!(
            "In the {} folds the settings chosen were {}, and the correction of probabilities was {}",
            folds.len(),
            told(|f| &f.settings),
            told(|f| &f.calibration)
        )
    })
}

/// Why the sensitivity analysis at a factor of 1 is not the corrected estimate, where it is not.
fn half_patch(evaluation: &Evaluation) -> Option<String> {
    let verification = evaluation.verification.as_ref()?;
    let mut estimates = verification.estimates.iter();
    let corrected = estimates.find(|e| e.method == "begg-greenes")?;
    let corrected = corrected.recall.as_ref()?.value;
    let at_one = verification.sensitivity.iter().find(|s| s.factor == 1.0)?;
    let [at_one, corrected] = [at_one.recall, corrected].map(|r| numbers::fixed(r, 3));
    (at_one != corrected).then(|| {
        format!(
            "At a factor of 1 recall is {at_one} and not the {corrected} of the correction: where no positive was found, that takes the unchecked to \
             hold none, and no factor could change it; here half a patch counts as found"
        )
    })
}

/// What deciding at the cut is worth at the season's costs, against walking to everything and to nothing.
fn worth(thresholds: &Thresholds) -> Option<String> {
    let model = Span::from(thresholds.expected.net_benefit.as_ref()?);
    let everywhere = thresholds.net_benefit_everywhere?;
    let best = everywhere.max(0.0);
    let rival = match everywhere > 0.0 {
        true => "walking to everything",
        false => "walking to nothing",
    };
    let verdict = match model.limits {
        Some([low, _]) if low > best => format!("more than {rival}"),
        Some([_, high]) if high < best => format!("less than {rival}"),
        _ if model.value > best => {
            format!("more than {rival}, but not shown to be so outside its interval")
        }
        _ => format!("no more than {rival}"),
    };
    Some(format!(
        "Per 1000 glowing patches it is {} by the recommended cut, {} for walking to everything and 0 for walking to nothing: the model is \
         worth {verdict}",
        numbers::stated(model.times(1000.0)),
        numbers::significant(1000.0 * everywhere, 3)
    ))
}

/// Warnings, and what no figure of such a season can tell.
fn limits(sources: &Sources) -> Vec<String> {
    let mut limits = sources.warnings();
    if let Some(evaluation) = &sources.evaluation {
        limits.push(format!(
            "All figures are of {} of this season; other ground, other nights and another rig may behave otherwise.",
            counted(evaluation.protocol.groups as u64, sources.plan.ledger.group.clone(), None)
        ));
        if sources.ledger.as_ref().is_some_and(|l| l.unchecked > 0) {
            limits.push(
                "Recall counts positives among checked patches; what lay where nobody went is known only under the assumptions stated."
                    .to_string(),
            );
        }
    }
    limits.push(
        "A color under one laser is not an identification: minerals, lichen and litter may glow as bone does, and bone may not glow. Only the check on the ground says what a thing is."
            .to_string(),
    );
    limits.push(
        "Nothing is said of what lies below the surface or in the shadow of the light.".to_string(),
    );
    limits
}

type Filled<T> = std::result::Result<T, minijinja::Error>;

/// A figure with its interval, or that it is not defined; with so many decimals, where asked for.
fn span(merit: Value, decimals: Option<usize>) -> Filled<String> {
    Ok(told(read_span(&merit)?, decimals))
}

fn told(span: Option<Span>, decimals: Option<usize>) -> String {
    span.map_or("not defined".to_string(), |s| {
        numbers::stated_to(s, decimals)
    })
}

/// A figure without its interval, rounded as with it.
fn estimate(merit: Value, decimals: Option<usize>) -> Filled<String> {
    Ok(before_limits(&span(merit, decimals)?).to_string())
}

/// The limits of a figure's interval, empty where it has none.
fn limits_of(merit: Value, decimals: Option<usize>) -> Filled<String> {
    Ok(within_limits(&span(merit, decimals)?).to_string())
}

/// A share in per cent, rounded as with its interval.
fn percent_estimate(merit: Value) -> Filled<String> {
    Ok(match read_span(&merit)? {
        Some(share) => format!("{} %", before_limits(&told(Some(share.times(100.0)), None))),
        None => told(None, None),
    })
}

/// The limits of a share's interval in per cent, empty where it has none.
fn percent_limits(merit: Value) -> Filled<String> {
    let share = read_span(&merit)?.map(|s| s.times(100.0));
    Ok(match within_limits(&told(share, None)) {
        "" => String::new(),
        limits => format!("{limits} %"),
    })
}

fn chance_estimate(merit: Value) -> Filled<String> {
    Ok(before_limits(&chance_span(merit)?).to_string())
}

fn chance_limits(merit: Value) -> Filled<String> {
    Ok(within_limits(&chance_span(merit)?).to_string())
}

/// A probability with its interval, each with digits of its own.
fn chance_span(merit: Value) -> Filled<String> {
    Ok(match read_span(&merit)? {
        Some(span) => numbers::chance_of(span.value, span.limits),
        None => told(None, None),
    })
}

fn before_limits(stated: &str) -> &str {
    stated.split(" (").next().unwrap_or_default()
}

fn within_limits(stated: &str) -> &str {
    let limits = stated.split_once(" (");
    limits.map_or("", |(_, l)| l.trim_end_matches(')'))
}

/// The decimals of a table's column: the most that any figure in it needs, but no more than three.
fn column(rows: Value, name: String) -> Filled<Option<usize>> {
    let mut most = None;
    for row in rows.try_iter()? {
        let span = read_span(&row.get_attr(&name)?)?;
        most = most.max(span.and_then(numbers::decimals));
    }
    Ok(most.map(|m| m.min(3)))
}

fn read_span(merit: &Value) -> Filled<Option<Span>> {
    if merit.kind() != ValueKind::Map {
        return Ok(None);
    }
    let number =
        |name: &str| -> Filled<Option<f64>> { Ok(f64::try_from(merit.get_attr(name)?).ok()) };
    let limits = number("low")?.zip(number("high")?);
    Ok(number("value")?.map(|value| Span {
        value,
        limits: limits.map(|(low, high)| [low, high]),
    }))
}

/// A p value with two digits, and no smaller than can be relied upon.
fn probability(p: f64) -> String {
    match p {
        p if p < 0.001 => "below 0.001".to_string(),
        p => numbers::significant(p, 2),
    }
}

/// Standard uncertainty as a distance in u'v' of a covariance of (u', v', ...).
fn sd_uv(covariance: Vec<Vec<f64>>) -> String {
    let variance = |i: usize| {
        covariance
            .get(i)
            .and_then(|row| row.get(i))
            .copied()
            .unwrap_or(0.0)
    };
    numbers::fixed((variance(0) + variance(1)).max(0.0).sqrt(), 4)
}

fn number(value: f64, decimals: Option<usize>) -> String {
    match decimals {
        Some(decimals) => numbers::fixed(value, decimals),
        None => {
            let text = numbers::fixed(value, 4);
            match text.contains('.') {
                true => text.trim_end_matches('0').trim_end_matches('.').to_string(),
                false => text,
            }
        }
    }
}

/// A share with its interval; one that was stated as it was stated.
fn prevalence(share: Value) -> Filled<String> {
    Ok(match read_span(&share)? {
        Some(Span {
            value,
            limits: None,
        }) => numbers::as_stated(value),
        Some(span) => numbers::chance_of(span.value, span.limits),
        None => told(None, None),
    })
}

/// Ground covered, in square meters below a hectare.
fn ground(hectares: f64) -> String {
    match hectares < 1.0 {
        true => format!("{} m²", numbers::fixed(10_000.0 * hectares, 0)),
        false => format!("{} ha", numbers::significant(hectares, 2)),
    }
}

fn counted(count: u64, one: String, many: Option<String>) -> String {
    match count {
        1 => format!("1 {one}"),
        _ => format!("{count} {}", many.unwrap_or(format!("{one}s"))),
    }
}

fn names(list: Vec<String>) -> String {
    match list.split_last() {
        None => String::new(),
        Some((last, [])) => last.clone(),
        Some((last, rest)) => format!("{} and {last}", rest.join(", ")),
    }
}

fn feature(name: &str) -> String {
    match name {
        "u" => "u'".to_string(),
        "v" => "v'".to_string(),
        "log_luminance" => "log luminance".to_string(),
        other => other.to_string(),
    }
}

/// A classifier in words; its name where there are none.
fn classifier(name: &str) -> &str {
    match name {
        "brightness" => "a cut on brightness alone",
        "nearest-mean" => "the nearest mean color in u'v'",
        "logistic" => "multinomial logistic regression with a ridge penalty",
        "discriminant" => {
            "Gaussian discriminant analysis (Fisher 1936) with covariances regularized as in Friedman 1989"
        }
        "forest" => "a random forest (Breiman 2001)",
        "neighbours" => "nearest neighbours (Cover and Hart 1967)",
        other => other,
    }
}

fn verification(name: &str) -> &str {
    match name {
        "naive" => "checked patches only",
        "weighted" => "weighted by the inverse inclusion probability (Horvitz and Thompson 1952)",
        "begg-greenes" => "corrected for the unchecked (Begg and Greenes 1983)",
        other => other,
    }
}

/// With a capital and a stop.
pub(super) fn sentence(text: String) -> String {
    let trimmed = text.trim();
    let mut letters = trimmed.chars();
    let Some(first) = letters.next() else {
        return String::new();
    };
    // The steps write a minus as a hyphen.
    let rest = ["0", "1", "2", "3", "4", "5", "6", "7", "8", "9"]
        .iter()
        .fold(letters.as_str().to_string(), |text, digit| {
            text.replace(&format!(" -{digit}"), &format!(" −{digit}"))
                .replace(&format!("(-{digit}"), &format!("(−{digit}"))
        });
    let stop = if trimmed.ends_with(['.', '!', '?', ':']) {
        ""
    } else {
        "."
    };
    format!("{}{}{stop}", first.to_uppercase(), powers_of_ten(&rest))
}

/// The steps write 2e-9 for 2·10^−9.
fn powers_of_ten(text: &str) -> String {
    let mut parts = text.split("e-");
    let mut written = parts.next().unwrap_or_default().to_string();
    for part in parts {
        let between_digits = written.ends_with(|c: char| c.is_ascii_digit())
            && part.starts_with(|c: char| c.is_ascii_digit());
        written += if between_digits { "·10^−" } else { "e-" };
        written += part;
    }
    written
}

/// Text in which Markdown sees nothing but text.
fn markdown_escaped(text: String) -> String {
    let mut escaped = String::with_capacity(text.len());
    for letter in text.chars() {
        if "\\`*_<>[]|#".contains(letter) {
            escaped.push('\\');
        }
        escaped.push(if letter == '\n' { ' ' } else { letter });
    }
    escaped
}

/// The methods as Markdown, with the works that it cites.
pub(super) fn methods(values: &Value) -> Result<String> {
    let text = fill("methods.md", values.clone())?;
    let mut tidy = String::with_capacity(text.len());
    let mut blank = true;
    for line in text.lines().map(str::trim_end) {
        if !line.is_empty() || !blank {
            tidy.push_str(line);
            tidy.push('\n');
        }
        blank = line.is_empty();
    }
    let cited = references::cited_in(&tidy);
    if !cited.is_empty() {
        tidy.push_str("\n## References\n\n");
        for work in cited {
            tidy.push_str(&format!("- {}\n", work.full));
        }
    }
    Ok(tidy)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lists_and_counts_read_as_a_sentence() {
        let list = |names: &[&str]| names.iter().map(|n| n.to_string()).collect();
        assert_eq!(
            names(list(&["bone", "tooth", "shell"])),
            "bone, tooth and shell"
        );
        assert_eq!(names(list(&["bone"])), "bone");
        assert_eq!(counted(1, "site".into(), None), "1 site");
        assert_eq!(
            counted(3, "patch".into(), Some("patches".into())),
            "3 patches"
        );
        assert_eq!(sentence("the cut holds".into()), "The cut holds.");
        assert_eq!(
            sentence("it gains -0.04 (-0.11 to 0.04) by year-5".into()),
            "It gains −0.04 (−0.11 to 0.04) by year-5."
        );
        assert_eq!(
            sentence("at most 2.0e-9 of the pre-1 walk".into()),
            "At most 2.0·10^−9 of the pre-1 walk."
        );
    }

    #[test]
    fn a_name_cannot_become_markup() {
        assert_eq!(markdown_escaped("a_b*|<c>".into()), "a\\_b\\*\\|\\<c\\>");
    }

    #[test]
    fn numbers_lose_only_empty_decimals() {
        assert_eq!(number(450.0, None), "450");
        assert_eq!(number(0.35, None), "0.35");
        assert_eq!(number(-1.234, Some(2)), "−1.23");
    }
}
