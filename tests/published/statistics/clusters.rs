//! Groups: Efron & Tibshirani 1993 table 2.1, Shrout & Fleiss 1979, Kish 1965, the documentation of
//! a survey package, Anselin 1988; bootstrap limits by full enumeration.

use super::{Case, case, cases, column, data};
use boneglow::evaluation::clusters::{
    OneWay, TwoWay, design_effect, kish_effective_size, ratio_of_sums,
};
use boneglow::evaluation::spatial::SpatialAutocorrelation;
use boneglow::evaluation::{ClusterBootstrap, GroupTrials, Units};
use boneglow::files::Table;

const FILE: &str = "clusters_spatial.json";
/// Enough that a standard error over resamples is within 0.5 % of its limit (1 / sqrt(2 B) is
/// 0.2 %).
const RESAMPLES: usize = 100_000;

fn bootstrap() -> ClusterBootstrap {
    ClusterBootstrap {
        replicates: RESAMPLES,
        ..ClusterBootstrap::new(11, 0.95)
    }
}

fn mean_and_deviation(of: &[f64]) -> (f64, f64) {
    let mean = of.iter().sum::<f64>() / of.len() as f64;
    let squares: f64 = of.iter().map(|x| (x - mean).powi(2)).sum();
    (mean, (squares / of.len() as f64).sqrt())
}

fn weighted_mean(values: &[f64], times: &[f64]) -> f64 {
    let sum: f64 = values.iter().zip(times).map(|(v, t)| v * t).sum();
    sum / times.iter().sum::<f64>()
}

#[test]
fn resampled_mice_spread_as_efron_and_tibshirani_print() {
    let treated = case(FILE, "efron_tibshirani_1993_mouse_treatment");
    let values = treated.numbers("values");
    let n = values.len();
    let ones = vec![1.0; n];
    let plain = ratio_of_sums(&values, &ones, None).unwrap().unwrap();
    let means = bootstrap().resamples(&Units::single(n), |times| {
        Some(weighted_mean(&values, times))
    });
    let mut sorted = values.clone();
    sorted.sort_by(f64::total_cmp);
    let order: Vec<usize> = sorted
        .iter()
        .map(|v| values.iter().position(|w| w == v).unwrap())
        .collect();
    let medians = bootstrap().resamples(&Units::single(n), |times| {
        let mut seen = 0.0;
        order
            .iter()
            .find(|&&i| {
                seen += times[i];
                seen > n as f64 / 2.0
            })
            .map(|&i| values[i])
    });
    let (median_mean, median_error) = mean_and_deviation(&medians);
    let limits = [
        ("bootstrap_se_mean_limit", mean_and_deviation(&means).1),
        ("bootstrap_se_median_limit", median_error),
        ("bootstrap_mean_of_median", median_mean),
    ];
    let exact = [("mean", plain.value), ("se_mean", plain.standard_error)];
    treated.check(&exact, &limits.map(|l| l.0));
    treated.check_within(&limits, &exact.map(|e| e.0), 0.2);

    let control = case(FILE, "efron_tibshirani_1993_mouse_control");
    let values = control.numbers("values");
    let n = values.len();
    let plain = ratio_of_sums(&values, &vec![1.0; n], None)
        .unwrap()
        .unwrap();
    let plug_in = plain.standard_error * ((n - 1) as f64 / n as f64).sqrt();
    control.check(
        &[
            ("mean", plain.value),
            ("se_mean", plain.standard_error),
            ("plug_in_se_mean", plug_in),
        ],
        &[],
    );
}

#[test]
fn six_intraclass_correlations_equal_shrout_and_fleiss() {
    let case = case(FILE, "shrout_fleiss");
    let table = case.rows("targets_by_judges");
    let (one, two) = (OneWay::of(&table).unwrap(), TwoWay::of(&table).unwrap());
    let single = one.intraclass_correlation().unwrap();
    case.check(
        &[
            ("icc_1_1", single),
            ("icc_2_1", two.agreement().unwrap()),
            ("icc_3_1", two.consistency().unwrap()),
            ("icc_1_k", one.reliability_of_means().unwrap()),
            ("icc_2_k", two.agreement_of_means().unwrap()),
            ("icc_3_k", two.consistency_of_means().unwrap()),
            ("between_ms", one.between_ms),
            ("within_ms", one.within_ms),
            ("judge_ms", two.judge_ms),
            ("error_ms", two.error_ms),
            ("design_effect_icc_1_1", design_effect(two.judges, single)),
        ],
        &[],
    );
}

#[test]
fn design_effects_and_effective_sizes_equal_kish() {
    for case in cases(FILE, "kish_deff") {
        let (size, rho, n) = (
            case.number("cluster_size"),
            case.number("rho"),
            case.number("n"),
        );
        // The same from the groups themselves.
        let groups = (n / size) as usize;
        let of_group: Vec<usize> = (0..n as usize).map(|i| i % groups).collect();
        let trials = GroupTrials::of(&of_group, groups, |_| 1.0);
        case.check(
            &[
                ("design_effect", design_effect(size, rho)),
                ("effective_n", trials.effective_patches(rho).unwrap()),
            ],
            &[],
        );
    }
    let weighted = case(FILE, "kish_effective_sample_size");
    let weights = weighted.numbers("weights");
    let n = weights.len() as f64;
    let effective = kish_effective_size(weights).unwrap();
    weighted.check(
        &[
            ("effective_n", effective),
            ("weighting_deff", n / effective),
        ],
        &[],
    );
}

/// The multiplicities of all `groups` to the power of `groups` resamples.
fn every_resample(groups: usize) -> impl Iterator<Item = Vec<f64>> {
    (0..groups.pow(groups as u32)).map(move |mut number| {
        let mut times = vec![0.0; groups];
        for _ in 0..groups {
            times[number % groups] += 1.0;
            number /= groups;
        }
        times
    })
}

fn check_clusters(case: &Case) {
    let groups = case.rows("clusters");
    let one = OneWay::of(&groups).unwrap();
    let sums: Vec<f64> = groups.iter().map(|g| g.iter().sum()).collect();
    let sizes: Vec<f64> = groups.iter().map(|g| g.len() as f64).collect();
    let linear = ratio_of_sums(&sums, &sizes, None).unwrap().unwrap();
    // As if no patch had a neighbor in its group.
    let all: Vec<f64> = groups.concat();
    let alone = ratio_of_sums(&all, &vec![1.0; all.len()], None)
        .unwrap()
        .unwrap();
    let dot = |of: &[f64], times: &[f64]| -> f64 { of.iter().zip(times).map(|(a, b)| a * b).sum() };
    let ratio = |times: &[f64]| dot(&sums, times) / dot(&sizes, times);
    let means = bootstrap().resamples(&Units::single(groups.len()), |times| Some(ratio(times)));
    let (mean, error) = mean_and_deviation(&means);
    let drawn = [
        ("cluster_bootstrap_mean", mean),
        ("cluster_bootstrap_se_population", error),
    ];
    // The quantiles jump between neighboring values: of all resamples, not of drawn ones.
    let every = every_resample(groups.len())
        .map(|times| ratio(&times))
        .collect();
    let (low, high) = bootstrap().quantiles(every).unwrap();
    let exact = [
        ("mean", one.mean),
        ("between_ms", one.between_ms),
        ("within_ms", one.within_ms),
        ("m0", one.typical_size),
        ("anova_icc", one.intraclass_correlation().unwrap()),
        ("linearised_cluster_se", linear.standard_error),
        ("naive_se", alone.standard_error),
        ("bootstrap_percentile_2.5", low),
        ("bootstrap_percentile_97.5", high),
    ];
    case.check(&exact, &drawn.map(|d| d.0));
    case.check_within(&drawn, &exact.map(|e| e.0), 0.005);
}

#[test]
fn resampled_groups_spread_as_all_their_resamples_do() {
    for case in cases(FILE, "cluster_bootstrap") {
        check_clusters(&case);
    }
}

#[test]
fn a_mean_over_schools_of_districts_equals_the_survey_packages() {
    let case = case(FILE, "api_one_stage");
    let districts = column("api_cluster_sample.csv", "district");
    let scores = column("api_cluster_sample.csv", "api00");
    let mut names = districts.clone();
    names.sort_by(f64::total_cmp);
    names.dedup();
    let (mut sums, mut sizes) = (vec![0.0; names.len()], vec![0.0; names.len()]);
    for (district, score) in districts.iter().zip(&scores) {
        let at = names.iter().position(|n| n == district).unwrap();
        sums[at] += score;
        sizes[at] += 1.0;
    }
    let population = case.number("population_clusters");
    let drawn = ratio_of_sums(&sums, &sizes, Some(population))
        .unwrap()
        .unwrap();
    let replaced = ratio_of_sums(&sums, &sizes, None).unwrap().unwrap();
    // The design effect is left out: its denominator depends on the package's convention for a
    // simple random sample of a population of estimated size.
    case.check(
        &[
            ("mean", drawn.value),
            ("se_with_fpc", drawn.standard_error),
            ("se_without_fpc", replaced.standard_error),
        ],
        &["design_effect_with_fpc"],
    );
}

#[test]
fn neighbors_in_columbus_are_alike_as_published() {
    let case = case(FILE, "moran_columbus");
    let values = column("columbus_crime.csv", "crime");
    let neighbors: Vec<Vec<usize>> = Table::read(&data("columbus_crime.csv"))
        .unwrap()
        .rows()
        .map(|row| {
            let list = row.text("neighbours").unwrap();
            list.split(' ')
                .map(|n| n.parse::<usize>().unwrap() - 1)
                .collect()
        })
        .collect();
    let found = SpatialAutocorrelation::of(&values, &neighbors)
        .unwrap()
        .unwrap();
    let z = |variance: f64| (found.moran - found.expectation) / variance.sqrt();
    case.check(
        &[
            ("moran_i", found.moran),
            ("expectation", found.expectation),
            ("variance_normality", found.variance_normal),
            ("variance_randomisation", found.variance_random),
            ("z_normality", z(found.variance_normal)),
            ("z_randomisation", z(found.variance_random)),
            ("geary_c", found.geary),
        ],
        &[],
    );
}
