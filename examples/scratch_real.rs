use boneglow::classify::*;
use boneglow::evaluation::*;
use boneglow::features::Dataset;
use boneglow::files::Table;
use ndarray::Array2;
use std::path::Path;
const DIR: &str = "/work/shared/real-glow";
fn load(
    lamps: Option<&[&str]>,
    keep: &dyn Fn(&str) -> Option<String>,
    ids: &[String],
    positive: &str,
) -> Dataset {
    let t = Table::read(Path::new(&format!("{DIR}/patches.csv"))).unwrap();
    let mut rows = vec![];
    for r in t.rows() {
        if !ids.iter().any(|i| i == r.text("patch_id").unwrap()) {
            continue;
        }
        if lamps.is_some_and(|l| !l.contains(&r.text("lamp").unwrap())) {
            continue;
        }
        let Some(label) = keep(r.text("group").unwrap()) else {
            continue;
        };
        rows.push((
            r.text("patch_id").unwrap().to_string(),
            label,
            r.text("specimen_id").unwrap().to_string(),
            [
                r.number("u_prime").unwrap(),
                r.number("v_prime").unwrap(),
                r.number("Y_lin").unwrap().log10(),
            ],
        ));
    }
    let sorted = |it: Vec<String>| {
        let mut v = it;
        v.sort();
        v.dedup();
        v
    };
    let classes = sorted(rows.iter().map(|r| r.1.clone()).collect());
    let groups = sorted(rows.iter().map(|r| r.2.clone()).collect());
    Dataset {
        ids: rows.iter().map(|r| r.0.clone()).collect(),
        feature_names: ["u", "v", "log_luminance"].map(String::from).to_vec(),
        features: Array2::from_shape_fn((rows.len(), 3), |(i, j)| rows[i].3[j]),
        covariance: vec![[[0.0; 3]; 3]; rows.len()],
        labels: rows
            .iter()
            .map(|r| classes.iter().position(|c| *c == r.1).unwrap())
            .collect(),
        positive: classes.iter().map(|c| c == positive).collect(),
        groups: rows
            .iter()
            .map(|r| groups.iter().position(|c| *c == r.2).unwrap())
            .collect(),
        weights: vec![1.0; rows.len()],
        classes,
        group_names: groups,
    }
}
struct Oof {
    ids: Vec<String>,
    fold: Vec<usize>,
    p: std::collections::BTreeMap<String, Vec<Vec<f64>>>,
}
fn oof(file: &str, problem: &str, cv: &str, classes: &[String]) -> Oof {
    let t = Table::read(Path::new(&format!("{DIR}/{file}"))).unwrap();
    let mut o = Oof {
        ids: vec![],
        fold: vec![],
        p: Default::default(),
    };
    for r in t.rows() {
        if r.text("problem").unwrap() != problem || r.text("cv").unwrap() != cv {
            continue;
        }
        let m = r.text("model").unwrap();
        if m == "logistic" {
            o.ids.push(r.text("patch_id").unwrap().into());
            o.fold.push(r.number("fold").unwrap() as usize);
        }
        o.p.entry(m.into()).or_default().push(
            classes
                .iter()
                .map(|c| r.number(&format!("p_{c}")).unwrap())
                .collect(),
        );
    }
    let min = *o.fold.iter().min().unwrap();
    o.fold.iter_mut().for_each(|f| *f -= min);
    o
}
fn figures(p: &Array2<f64>, labels: &[usize], decided: &[usize], k: usize) -> (f64, f64) {
    let mut ll = 0.0;
    for (i, row) in p.rows().into_iter().enumerate() {
        let c: Vec<f64> = row.iter().map(|x| x.max(1e-6)).collect();
        let s: f64 = c.iter().sum();
        ll -= (c[labels[i]] / s).ln();
    }
    let mut rec = 0.0;
    for c in 0..k {
        let n = labels.iter().filter(|l| **l == c).count() as f64;
        rec += labels
            .iter()
            .zip(decided)
            .filter(|(l, d)| **l == c && l == d)
            .count() as f64
            / n;
    }
    (ll / labels.len() as f64, rec / k as f64)
}
fn main() {
    let problems: [(&str, &str, &str, Option<Vec<&str>>, Vec<&str>, &str); 3] = [
        (
            "a",
            "oof_a_apatite.csv",
            "a_all_lamps",
            None,
            vec![],
            "apatite",
        ),
        (
            "b",
            "oof_b_groups.csv",
            "b_groups",
            Some(vec!["365led", "405laser"]),
            vec![],
            "carbonate",
        ),
        (
            "b2",
            "oof_b2_core.csv",
            "b2_core",
            Some(vec!["365led", "405laser"]),
            vec![],
            "carbonate",
        ),
    ];
    for (name, file, problem, lamps, _, positive) in problems {
        for cv in ["grouped", "ungrouped"] {
            let head = Table::read(Path::new(&format!("{DIR}/{file}"))).unwrap();
            let classes: Vec<String> = head
                .header()
                .iter()
                .filter_map(|h| h.strip_prefix("p_").map(String::from))
                .collect();
            let mut classes = classes;
            classes.sort();
            let o = oof(file, problem, cv, &classes);
            let data = load(
                lamps.as_deref(),
                &|g| {
                    if name == "a" {
                        Some(if g == "apatite" {
                            "apatite".into()
                        } else {
                            "not_apatite".into()
                        })
                    } else {
                        Some(g.to_string())
                    }
                },
                &o.ids,
                positive,
            );
            assert_eq!(data.ids, o.ids);
            assert_eq!(data.classes, classes);
            let plain = Inside {
                balance_classes: false,
                nested: false,
                seed: 1,
            };
            let fixed = [
                (
                    "logistic",
                    Recipe::fixed(Settings::Logistic {
                        terms: Terms::Linear,
                        strength: 1.0,
                    }),
                ),
                (
                    "lda",
                    Recipe::fixed(Settings::Discriminant(CovarianceShape {
                        own: 0.0,
                        round: 0.0,
                    })),
                ),
            ];
            let recipes: Vec<Recipe> = fixed.iter().map(|f| f.1.clone()).collect();
            let p: Vec<Predictions> = if cv == "grouped" {
                cross_validate(
                    &data,
                    &recipes,
                    &Folds::given(&o.fold, &data.groups).unwrap(),
                    plain,
                    None,
                    &|_| (),
                )
                .unwrap()
                .iter()
                .map(|p| (**p).clone())
                .collect()
            } else {
                demonstrate_leak(
                    &data,
                    &recipes,
                    &Folds::given_leaking(&o.fold).unwrap(),
                    plain,
                )
                .unwrap()
            };
            for ((m, _), p) in fixed.iter().zip(&p) {
                let base = &o.p[*m];
                let diff = base
                    .iter()
                    .enumerate()
                    .flat_map(|(i, r)| r.iter().enumerate().map(move |(c, x)| (i, c, *x)))
                    .map(|(i, c, x)| (x - p.probabilities()[(i, c)]).abs())
                    .fold(0.0, f64::max);
                let (ll, mr) = figures(
                    p.probabilities(),
                    p.labels(),
                    &p.decided_class(false),
                    classes.len(),
                );
                let (_, mrq) = figures(
                    p.probabilities(),
                    p.labels(),
                    &p.decided_class(true),
                    classes.len(),
                );
                println!(
                    "{name} {cv} {m}: max |p - baseline| {diff:.2e}, log loss {ll:.6}, macro recall {mr:.6} (equal shares {mrq:.4})"
                );
            }
            if cv == "grouped" {
                for balance in [false, true] {
                    let inside = Inside {
                        balance_classes: balance,
                        nested: true,
                        seed: 1,
                    };
                    let recipes: Vec<Recipe> =
                        Method::ALL.iter().map(|m| Recipe::tuned(*m)).collect();
                    let t = std::time::Instant::now();
                    let all = cross_validate(
                        &data,
                        &recipes,
                        &Folds::given(&o.fold, &data.groups).unwrap(),
                        inside,
                        None,
                        &|_| (),
                    )
                    .unwrap();
                    for p in &all {
                        let (ll, mr) = figures(
                            p.probabilities(),
                            p.labels(),
                            &p.decided_class(false),
                            classes.len(),
                        );
                        let (_, mrq) = figures(
                            p.probabilities(),
                            p.labels(),
                            &p.decided_class(true),
                            classes.len(),
                        );
                        let mut ch: std::collections::BTreeMap<String, usize> = Default::default();
                        for c in p.choices() {
                            *ch.entry(format!("{} / {}", c.settings, c.calibration))
                                .or_default() += 1;
                        }
                        println!(
                            "   {name} nested balance={balance} {}: log loss {ll:.4}, macro recall {mr:.4} (equal shares {mrq:.4}) {ch:?}",
                            p.classifier()
                        );
                    }
                    println!("   {:?}", t.elapsed());
                }
            }
        }
    }
}
