//! An older `model.json` against the one in `results/`.

use super::learning::{Groups, Learning, MeasuredLedger};
use super::{Outcome, Progress, inputs, learn};
use crate::calibration::Rig;
use crate::classify::Model;
use crate::evaluation::{self, ClusterBootstrap, Comparison, OutOfGroup, Verdict, predict_unseen};
use crate::files::Document;
use crate::numeric::decimal;
use crate::season::Season;
use crate::threshold::{self, Thresholds};
use crate::{Error, Result, files};
use serde_json::json;
use std::path::Path;

/// Fewest groups that the old model has not seen for it to be judged as it stands ...
const LEAST_UNSEEN: usize = 5;
/// ... and where the recipe is the same, so that learning it again tells nothing.
const LEAST_UNSEEN_OF_SAME: usize = 2;

/// Compares `old` (a `model.json` kept from before) with `results/model.json` on the same
/// out-of-group patches; writes `comparison.json`. Replaces nothing.
pub fn compare(season: &Season, old: &Path, progress: &dyn Progress) -> Result<Outcome> {
    let new_path = season.result("model.json");
    let old_model = Model::read(old)?;
    let new_model: Model = inputs::earlier(season, "model.json", Model::FORMAT, "train")?;
    if old_model == new_model {
        return Err(Error::input("this is the same model as the new one")
            .at(old)
            .remedy("name a model.json that was kept from before the last training"));
    }
    let thresholds: Thresholds =
        inputs::earlier(season, "thresholds.json", threshold::FORMAT, "threshold")?;
    let plan = &season.plan;
    let ledger = MeasuredLedger::read(season)?;
    let learning = ledger.learning(season, Groups::Open)?;
    let as_old = ledger.with_features(season, old_model.feature_names())?;
    if as_old.data.ids != learning.data.ids {
        return Err(
            Error::input("the two models' features are known of different patches").at(old),
        );
    }
    check_positive(&old_model, &learning, old)?;
    let name = |model: &Model| model.classifier().method().name();
    let new = learn::out_of_group(season, &learning, name(&new_model), progress)?;
    let refitted = learn::out_of_group(season, &as_old, name(&old_model), progress)?;
    let prevalence = thresholds.prior.value;
    let (old_cut, of_cut) = old_cut(season, old, &ledger.rig, &as_old, &refitted, prevalence)?;
    let same_recipe = name(&old_model) == name(&new_model)
        && old_model.feature_names() == new_model.feature_names();
    let least = match same_recipe {
        true => LEAST_UNSEEN_OF_SAME,
        false => LEAST_UNSEEN,
    };
    let unseen = unseen(&old_model, &learning, least);
    if unseen.is_none() && same_recipe {
        return Err(Error::too_little(format!(
            "both models are \"{}\" of the same features, and there are no {least} groups with positives and others \
             that the old one has not seen",
            name(&new_model)
        ))
        .at(old)
        .remedy("compare again when other sites were checked"));
    }
    let bootstrap = ClusterBootstrap::of_season(&plan.classify, &plan.threshold);
    let cuts = (old_cut, thresholds.probability.value);
    let too_faint = &learning.too_faint;
    let as_walked = |side: OutOfGroup, faint: &[bool], model: &Model| -> Result<OutOfGroup> {
        let never = side.never_walked(faint, model.novelty().cut())?;
        Ok(side.without_walks_to(never))
    };
    let new = as_walked(new, too_faint, &new_model)?;
    let (old_side, new_side, basis) = match unseen {
        Some((rows, count)) => {
            let new = new.select(&rows);
            let faint: Vec<bool> = rows.iter().map(|&row| too_faint[row]).collect();
            let old = predict_unseen(&old_model, &as_old.data.select(&rows), &new)?;
            let old = as_walked(old, &faint, &old_model)?;
            let basis = format!(
                "The old model as it stands, on {count} groups that it was not learnt from; the new one's recipe, \
                 learnt without each of them. {of_cut}"
            );
            (old, new, basis)
        }
        None => {
            let basis = format!(
                "The old model was learnt from so many of these groups that it cannot be judged as it stands; its recipe \
                 (classifier and features) is learnt again without each of them, as the new one's is. {of_cut}"
            );
            (as_walked(refitted, too_faint, &old_model)?, new, basis)
        }
    };
    let mut found = evaluation::compare(&old_side, &new_side, cuts, prevalence, bootstrap)?;
    found.basis = basis;
    if old_model.feature_names() != new_model.feature_names() {
        found.warnings.push(format!(
            "The models see different features: {} against {}.",
            old_model.feature_names().join(", "),
            new_model.feature_names().join(", ")
        ));
    }
    let mut made_from = inputs::of_learning(season)?;
    made_from.add(
        format!(
            "old {}",
            old.file_name().unwrap_or_default().to_string_lossy()
        ),
        &files::read(old)?,
    );
    made_from.add(season.name_of(&new_path), &files::read(&new_path)?);
    found.warnings.extend(learn::not_calibrated(&ledger.rig));
    Document::new(evaluation::COMPARISON_FORMAT, made_from, found.clone())
        .of_rig(ledger.rig.calibrated)
        .write(&season.result("comparison.json"))?;
    let edited = files::is_edited(old).then(|| {
        format!(
            "{} was edited by hand since boneglow wrote it.",
            old.display()
        )
    });
    Ok(describe(&found).warn(edited).warn(inputs::edited(
        season,
        &["rig.json", "model.json", "thresholds.json"],
    )))
}

/// A class may not be worth a walk to one model and not to the other.
fn check_positive(old: &Model, learning: &Learning, path: &Path) -> Result<()> {
    let now: Vec<&String> = names(&learning.data.classes, &learning.data.positive);
    let before: Vec<&String> = names(old.classes(), old.positive());
    let differs = old.classes().iter().find(|class| {
        learning.data.classes.contains(class) && now.contains(class) != before.contains(class)
    });
    match differs {
        None => Ok(()),
        Some(class) => Err(Error::input(format!(
            "\"{class}\" is worth a walk to one of the models only"
        ))
        .at(path)
        .key("ledger.positive")
        .remedy("compare models that look for the same classes")),
    }
}

fn names<'a>(classes: &'a [String], positive: &[bool]) -> Vec<&'a String> {
    let pairs = classes.iter().zip(positive);
    pairs.filter(|(_, p)| **p).map(|(c, _)| c).collect()
}

/// The old model's cut in the field, and where it is from.
///
/// Its own where the `thresholds.json` of the time lies beside it, else the season's policy on its recipe.
fn old_cut(
    season: &Season,
    old: &Path,
    rig: &Rig,
    learning: &Learning,
    refitted: &OutOfGroup,
    prevalence: f64,
) -> Result<(f64, &'static str)> {
    let beside = old.with_file_name("thresholds.json");
    let own = beside.is_file() && !same_file(&beside, &season.result("thresholds.json"));
    if own {
        let kept: Thresholds = Document::read(&beside, threshold::FORMAT)?.content;
        let cut = evaluation::prior::shift_probability(
            kept.probability.value,
            kept.prior.value,
            prevalence,
        );
        return Ok((
            cut,
            "The old cut is that of the thresholds.json beside the old model.",
        ));
    }
    let cut = learn::recommended_cut(season, rig, learning, refitted)?;
    Ok((
        cut,
        "The old cut is the season's policy applied to the old recipe.",
    ))
}

fn same_file(one: &Path, other: &Path) -> bool {
    match (one.canonicalize(), other.canonicalize()) {
        (Ok(a), Ok(b)) => a == b,
        _ => false,
    }
}

/// Patches of groups that the old model has not seen, and how many such groups; absent where they are
/// too few or hold positives or others only.
fn unseen(old: &Model, learning: &Learning, least: usize) -> Option<(Vec<usize>, usize)> {
    let data = &learning.data;
    let new = |i: &usize| !old.groups().contains(&data.group_names[data.groups[*i]]);
    let rows: Vec<usize> = (0..data.len()).filter(new).collect();
    let mut groups: Vec<usize> = rows.iter().map(|&i| data.groups[i]).collect();
    groups.sort_unstable();
    groups.dedup();
    let positives = rows.iter().filter(|&&i| data.is_positive(i)).count();
    let both = positives > 0 && positives < rows.len();
    (groups.len() >= least && both).then_some((rows, groups.len()))
}

fn describe(found: &Comparison) -> Outcome {
    let mut outcome = Outcome::new("compare")
        .favorable(found.verdict == Verdict::New)
        .warn(found.warnings.iter().cloned())
        .result(json!(found))
        .say(format!(
            "Old \"{}\" against new \"{}\" on {} patches, {} of them positive.",
            found.old, found.new, found.patches, found.positives
        ))
        .say(found.basis.clone());
    for figure in &found.figures {
        let side = |value: Option<f64>| value.map_or("absent".to_string(), |v| decimal(v, 3));
        let gain = figure.gain.as_ref().map_or(String::new(), |gain| {
            format!(", gain {}", learn::with_interval(gain))
        });
        outcome = outcome.say(format!(
            "  {}: {} before, {} now{gain}",
            figure.name.replace('_', " "),
            side(figure.old),
            side(figure.new)
        ));
    }
    outcome = outcome.say(found.sentence.clone());
    if let Some(test) = &found.mcnemar {
        outcome = outcome.say(test.in_words());
    }
    if let Some(area) = &found.auc_of_patches {
        outcome = outcome.say(format!(
            "The gain in AUC would be {} if patches were independent (DeLong), which they are not.",
            learn::with_interval(&area.gain)
        ));
    }
    outcome.say(format!(
        "{} decisions change; comparison.json lists them.",
        found.changed.len()
    ))
}
