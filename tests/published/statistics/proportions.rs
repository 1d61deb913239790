//! Intervals of proportions: Newcombe 1998 (Stat. Med. 17:857 table I, 17:873 table II), Hanley &
//! Lippman-Hand 1983; printed values from memory, recomputed independently.

use super::{Case, case, cases};
use boneglow::evaluation::{Interval, proportion};

const FILE: &str = "proportion_intervals.json";

type Method = fn(f64, f64, f64) -> Option<Interval>;

const METHODS: [(&str, Method); 9] = [
    ("wald", proportion::normal),
    ("wald_cc", proportion::normal_continuity),
    ("wilson", proportion::wilson),
    ("wilson_cc", proportion::wilson_continuity),
    ("clopper_pearson", proportion::exact),
    ("mid_p", proportion::mid_p),
    ("likelihood", proportion::likelihood),
    ("agresti_coull", proportion::agresti_coull),
    ("jeffreys", proportion::jeffreys),
];

fn limits_of_single_proportion(case: &Case) {
    let mut ours = Vec::new();
    for (name, method) in METHODS {
        let found = method(
            case.number("r"),
            case.number("n"),
            case.number("confidence"),
        )
        .unwrap();
        for (side, limit) in [("low", found.low), ("high", found.high)] {
            let entry = case.expected.iter().find(|e| {
                let expected = e["name"].as_str().unwrap();
                expected.strip_suffix("_untruncated").unwrap_or(expected)
                    == format!("{name}_{side}")
            });
            if let Some(entry) = entry {
                ours.push((entry["name"].as_str().unwrap(), limit));
            }
        }
    }
    // Ours stay within 0 and 1; these two references are not cut there.
    let beyond = match case.id.as_str() {
        "newcombe_1998_0_of_20" => &["wald_cc_low", "agresti_coull_low"][..],
        _ => &[],
    };
    ours.retain(|(name, limit)| {
        let cut = beyond.contains(name);
        assert!(!cut || *limit == 0.0, "{name} is not cut at 0");
        !cut
    });
    case.check(&ours, beyond);
}

#[test]
fn nine_intervals_of_a_proportion_equal_their_published_limits() {
    for id in ["newcombe_1998_81", "newcombe_1998_15", "newcombe_1998_0_of"] {
        limits_of_single_proportion(&case(FILE, id));
    }
}

#[test]
fn intervals_at_all_or_nothing_are_one_sided() {
    for case in cases(FILE, "extreme") {
        limits_of_single_proportion(&case);
    }
}

#[test]
fn differences_of_proportions_equal_newcombes_table() {
    for case in cases(FILE, "newcombe_1998_difference") {
        let pair = |r, n| (case.number(r), case.number(n));
        let found = proportion::difference(pair("a", "m"), pair("b", "n"), 0.95).unwrap();
        case.check(
            &[
                ("score_hybrid_low", found.low),
                ("score_hybrid_high", found.high),
                ("difference", found.value),
            ],
            &[],
        );
    }
}

#[test]
fn none_of_n_still_allows_about_three_of_n() {
    for case in cases(FILE, "rule_of_three") {
        let n = case.number("n");
        let exact = proportion::upper_limit_of_none(n, 0.95).unwrap();
        // The rule itself, 3 / n, is only the exact limit's large-n form: not in the library.
        assert!(exact < 3.0 / n && exact > 2.5 / n);
        case.check(
            &[("exact_upper_95_one_sided_percent", 100.0 * exact)],
            &["rule_of_three_percent"],
        );
    }
}
