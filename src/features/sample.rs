//! From labelled colors to a checked [`Dataset`].

use super::{Dataset, Feature};
use crate::calibration::GlowColor;
use crate::files::nearest_known;
use crate::{Error, Result};
use ndarray::Array2;
use std::collections::{BTreeMap, BTreeSet};

/// One ground-checked patch with its measured color.
#[derive(Debug, Clone, PartialEq)]
pub struct Sample {
    /// The patch's id.
    pub id: String,
    /// What it was found to be; not empty.
    pub label: String,
    /// The group that is never split (a site, a night).
    pub group: String,
    /// Its color.
    pub color: GlowColor,
    /// 1 / inclusion probability, finite and above 0.
    pub weight: f64,
}

/// Builds the dataset of `samples` in their order, with the named features, and says in plain
/// sentences what is odd about it (a label seen once, a class in one group only, a group of one
/// class, a feature that never changes).
///
/// # Errors
/// No sample, an id twice, an empty label or group, a value that is not finite, a weight that is
/// not above 0, an unknown feature, a positive class that no sample has, one class only, nothing
/// but positives.
///
/// ```
/// use boneglow::calibration::GlowColor;
/// use boneglow::features::{Sample, dataset};
/// let sample = |id: &str, label: &str, v: f64| Sample {
///     id: id.into(),
///     label: label.into(),
///     group: "A".into(),
///     color: GlowColor { u: 0.2, v, log_luminance: -1.0, covariance: [[0.0; 3]; 3] },
///     weight: 1.0,
/// };
/// let samples = [sample("1", "matrix", 0.45), sample("2", "bone", 0.50)];
/// let (data, warnings) = dataset(&samples, &["v".into()], &["bone".into()])?;
/// assert_eq!(data.classes, ["bone", "matrix"]);
/// assert_eq!(data.labels, [1, 0]);
/// assert!(warnings.iter().any(|w| w.contains("seen once")));
/// # Ok::<(), boneglow::Error>(())
/// ```
pub fn dataset(
    samples: &[Sample],
    feature_names: &[String],
    positive: &[String],
) -> Result<(Dataset, Vec<String>)> {
    let features = feature_names
        .iter()
        .map(|name| Feature::parse(name))
        .collect::<Result<Vec<_>>>()?;
    check(samples)?;

    let sorted = |of: fn(&Sample) -> &str| -> Vec<String> {
        let names: BTreeSet<&str> = samples.iter().map(of).collect();
        names.into_iter().map(String::from).collect()
    };
    let classes = sorted(|s| &s.label);
    let group_names = sorted(|s| &s.group);
    for name in positive {
        if !classes.contains(name) {
            let remedy = match nearest_known(name, classes.iter().map(String::as_str)) {
                Some(near) => format!("did you mean \"{near}\"?"),
                None => format!("the labels are {}", classes.join(", ")),
            };
            return Err(
                Error::input(format!("no checked patch has the label \"{name}\""))
                    .key("ledger.positive")
                    .remedy(remedy),
            );
        }
    }
    if classes.len() < 2 {
        return Err(Error::too_little(format!(
            "all {} checked patches are \"{}\", and telling classes apart needs two",
            samples.len(),
            classes[0]
        ))
        .remedy("add ground checks of another class"));
    }
    let is_positive: Vec<bool> = classes.iter().map(|c| positive.contains(c)).collect();
    if is_positive.iter().all(|p| *p) || !is_positive.contains(&true) {
        return Err(Error::input(format!(
            "{} of the classes {} are positive",
            if is_positive[0] { "all" } else { "none" },
            classes.join(", ")
        ))
        .key("ledger.positive")
        .remedy("name the classes that are worth a walk, and leave out at least one that is not"));
    }

    let place = |names: &[String], name: &str| names.partition_point(|n| n.as_str() < name);
    let data = Dataset {
        ids: samples.iter().map(|s| s.id.clone()).collect(),
        feature_names: feature_names.to_vec(),
        features: Array2::from_shape_fn((samples.len(), features.len()), |(i, j)| {
            features[j].value(&samples[i].color)
        }),
        covariance: samples.iter().map(|s| s.color.covariance).collect(),
        labels: samples.iter().map(|s| place(&classes, &s.label)).collect(),
        groups: samples
            .iter()
            .map(|s| place(&group_names, &s.group))
            .collect(),
        weights: samples.iter().map(|s| s.weight).collect(),
        classes,
        positive: is_positive,
        group_names,
    };
    let warnings = oddities(&data);
    Ok((data, warnings))
}

fn check(samples: &[Sample]) -> Result<()> {
    if samples.is_empty() {
        return Err(Error::too_little("no patch has a label and a color")
            .remedy("fill in the labels of the patches that were checked on the ground"));
    }
    let mut seen = BTreeSet::new();
    for sample in samples {
        let wrong = |what: String, remedy: &str| {
            Err(Error::input(format!("patch \"{}\": {what}", sample.id)).remedy(remedy))
        };
        if !seen.insert(sample.id.as_str()) {
            return wrong(
                "its id stands twice".into(),
                "give every patch an id of its own",
            );
        }
        for (what, text) in [("label", &sample.label), ("group", &sample.group)] {
            if text.trim().is_empty() {
                return wrong(
                    format!("its {what} is empty"),
                    "fill it in or leave the patch out",
                );
            }
        }
        let color = &sample.color;
        let values = [
            ("u'", color.u),
            ("v'", color.v),
            ("log luminance", color.log_luminance),
        ];
        for (what, value) in values {
            if !value.is_finite() {
                return wrong(
                    format!("its {what} is {value}, expected a finite number"),
                    "measure the patch again or leave it out",
                );
            }
        }
        if color.covariance.iter().flatten().any(|c| !c.is_finite()) {
            return wrong(
                "the covariance of its color is not finite".into(),
                "measure the patch again or leave it out",
            );
        }
        if !(sample.weight.is_finite() && sample.weight > 0.0) {
            return wrong(
                format!("its weight is {}, expected a number above 0", sample.weight),
                "an inclusion probability must be above 0 and at most 1",
            );
        }
    }
    Ok(())
}

fn oddities(data: &Dataset) -> Vec<String> {
    let mut warnings = Vec::new();
    let mut groups_of_class = vec![BTreeSet::new(); data.classes.len()];
    let mut classes_of_group = vec![BTreeSet::new(); data.group_names.len()];
    let mut patches: BTreeMap<usize, usize> = BTreeMap::new();
    for (&label, &group) in data.labels.iter().zip(&data.groups) {
        groups_of_class[label].insert(group);
        classes_of_group[group].insert(label);
        *patches.entry(label).or_default() += 1;
    }
    for (label, count) in patches {
        let class = &data.classes[label];
        let groups = &groups_of_class[label];
        if count == 1 {
            warnings.push(format!(
                "The label \"{class}\" was seen once (patch \"{}\"): nothing can be said of how well it is told apart, and a misspelt label would look the same.",
                data.ids[data.labels.iter().position(|l| *l == label).unwrap_or(0)]
            ));
        } else if groups.len() == 1 && data.group_names.len() > 1 {
            let group = groups.first().map_or("", |g| &data.group_names[*g]);
            warnings.push(format!(
                "The class \"{class}\" is known from one group only (\"{group}\"): with that group left out it cannot be learnt."
            ));
        }
    }
    for (group, classes) in classes_of_group.iter().enumerate() {
        if let (1, Some(class)) = (classes.len(), classes.first()) {
            warnings.push(format!(
                "The group \"{}\" holds nothing but \"{}\".",
                data.group_names[group], data.classes[*class]
            ));
        }
    }
    for (name, column) in data.feature_names.iter().zip(data.features.columns()) {
        if column.iter().all(|v| *v == column[0]) {
            warnings.push(format!(
                "The feature \"{name}\" is the same for all patches and tells nothing apart."
            ));
        }
    }
    if data.group_names.len() == 1 {
        warnings.push(format!(
            "All patches are of one group (\"{}\"): how well the classes are told apart elsewhere cannot be tested.",
            data.group_names[0]
        ));
    }
    warnings
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sample(id: &str, label: &str, group: &str, u: f64) -> Sample {
        Sample {
            id: id.into(),
            label: label.into(),
            group: group.into(),
            color: GlowColor {
                u,
                v: 0.5,
                log_luminance: -1.0,
                covariance: [[0.0; 3]; 3],
            },
            weight: 1.0,
        }
    }

    fn build(samples: &[Sample], positive: &[&str]) -> Result<(Dataset, Vec<String>)> {
        let positive: Vec<String> = positive.iter().map(|p| p.to_string()).collect();
        dataset(samples, &["u".into(), "v".into()], &positive)
    }

    fn refusal(samples: &[Sample], positive: &[&str]) -> String {
        build(samples, positive).unwrap_err().to_string()
    }

    #[test]
    fn classes_and_groups_are_sorted_and_rows_keep_their_order() {
        let samples = [
            sample("p1", "opal", "south", 0.1),
            sample("p2", "bone", "north", 0.2),
        ];
        let (data, warnings) = build(&samples, &["bone"]).unwrap();
        assert_eq!(data.ids, ["p1", "p2"]);
        assert_eq!(data.classes, ["bone", "opal"]);
        assert_eq!(data.labels, [1, 0]);
        assert_eq!(data.group_names, ["north", "south"]);
        assert_eq!(data.groups, [1, 0]);
        assert_eq!(data.features[(1, 0)], 0.2);
        assert_eq!(data.positive, [true, false]);
        assert!(warnings.iter().any(|w| w.contains("feature \"v\"")));
        assert!(warnings.iter().any(|w| w.contains("nothing but \"opal\"")));
    }

    #[test]
    fn every_wrong_input_is_refused_with_what_was_found() {
        let good = || {
            vec![
                sample("p1", "opal", "a", 0.1),
                sample("p2", "bone", "b", 0.2),
            ]
        };
        assert!(refusal(&[], &["bone"]).contains("no patch"));
        assert!(refusal(&good(), &["bones"]).contains("did you mean \"bone\""));
        assert!(refusal(&good(), &["bone", "opal"]).contains("all of the classes"));
        assert!(refusal(&good(), &[]).contains("none of the classes"));
        let mut twice = good();
        twice[1].id = "p1".into();
        assert!(refusal(&twice, &["bone"]).contains("stands twice"));
        let mut one = good();
        one[0].label = "bone".into();
        assert!(refusal(&one, &["bone"]).contains("needs two"));
        let mut nan = good();
        nan[1].color.u = f64::NAN;
        assert!(refusal(&nan, &["bone"]).contains("patch \"p2\": its u' is NaN"));
        let mut weightless = good();
        weightless[0].weight = 0.0;
        assert!(refusal(&weightless, &["bone"]).contains("its weight is 0"));
        let mut blank = good();
        blank[0].group = " ".into();
        assert!(refusal(&blank, &["bone"]).contains("its group is empty"));
    }

    #[test]
    fn a_class_of_one_group_is_named_in_a_warning() {
        let samples = [
            sample("1", "bone", "a", 0.1),
            sample("2", "bone", "a", 0.1),
            sample("3", "opal", "a", 0.3),
            sample("4", "opal", "b", 0.4),
        ];
        let (_, warnings) = build(&samples, &["bone"]).unwrap();
        assert!(
            warnings
                .iter()
                .any(|w| w.contains("\"bone\" is known from one group only (\"a\")"))
        );
    }
}
