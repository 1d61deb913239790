//! Which places the next walk visits, and with what probability each came to be chosen.

use super::route::{route, route_length};
use crate::ledger::Selection;
use crate::numeric::stream;
use crate::strip::offset_m;
use crate::threshold::Decision;
use crate::{Error, Result};
use rand::Rng;
use rand::seq::SliceRandom;
use std::collections::{BTreeMap, BTreeSet};

/// A glow that may be walked to.
#[derive(Debug, Clone, PartialEq)]
pub struct Glow {
    /// Its id, which the ledger will know it by.
    pub id: String,
    /// Probability of a positive in the field.
    pub p_positive: f64,
    /// What the thresholds say about it.
    pub decision: Decision,
    /// Latitude and longitude in degrees.
    pub position: Option<(f64, f64)>,
    /// What else the ledger is to keep of it: columns and their cells.
    pub record: Vec<(String, String)>,
    /// Where it comes from: a strip, or nothing for a patch of the ledger.
    pub source: String,
    /// Of one that an earlier audit drew and that was checked: its inclusion probability so far. It is walked to
    /// no more, and counts among what the audits together draw from.
    pub audited: Option<f64>,
}

/// How far the next walk may go.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Budget {
    /// So many places.
    Walks(usize),
    /// So many kilometers from the start and back.
    Kilometers(f64),
}

/// How the next walk is to be filled.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WalkPlan {
    /// How far it may go.
    pub budget: Budget,
    /// Share of the walk kept for a random audit of what no rule chose, 0 to 1.
    pub audit_share: f64,
    /// Share for glows nearest to the cut, 0 to 1.
    pub near_share: f64,
    /// Share for novel glows, 0 to 1.
    pub novel_share: f64,
    /// The cut on the probability in the field.
    pub cut: f64,
    /// Where the walk starts and ends; by default at the most probable glow.
    pub start: Option<(f64, f64)>,
    /// Seed of the audit.
    pub seed: u64,
}

/// Why a glow is on the walk.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Reason {
    /// Among the most probable.
    Highest,
    /// Nearest to the cut: its check tells most about where the cut should lie.
    NearCut,
    /// Unlike anything in the ledger.
    Novel,
    /// Drawn at random among what no rule chose.
    Audit,
}

impl Reason {
    /// All reasons.
    pub const ALL: [Reason; 4] = [
        Reason::Highest,
        Reason::NearCut,
        Reason::Novel,
        Reason::Audit,
    ];

    /// As tables spell it.
    pub fn name(self) -> &'static str {
        match self {
            Reason::Highest => "highest",
            Reason::NearCut => "near-cut",
            Reason::Novel => "novel",
            Reason::Audit => "audit",
        }
    }

    /// As the ledger spells it.
    pub fn selection(self) -> Selection {
        match self {
            Reason::Audit => Selection::Audit,
            _ => Selection::Flagged,
        }
    }
}

/// One stop of the next walk.
#[derive(Debug, Clone, PartialEq)]
pub struct Stop {
    /// Index into the glows.
    pub glow: usize,
    /// Why it is on the walk.
    pub reason: Reason,
    /// Probability with which it came to be chosen, above 0 and at most 1.
    pub inclusion_probability: f64,
}

/// The next walk, in the order of its stops.
#[derive(Debug, Clone, PartialEq)]
pub struct Walk {
    /// Where to go, in order.
    pub stops: Vec<Stop>,
    /// Glows of earlier audits that weigh less from now on, as this audit draws from the same ground; no stops.
    pub audited_before: Vec<Stop>,
    /// Glows that no rule chose, among which the audit was drawn, those of earlier audits among them.
    pub audited_among: usize,
    /// Length in km from the start and back; absent unless every stop has a position.
    pub kilometers: Option<f64>,
    /// Plain sentences.
    pub warnings: Vec<String>,
}

/// Plans the next walk.
///
/// Rules choose with certainty (inclusion probability 1): the most probable glows that are worth a walk, those
/// nearest to the cut, the novel ones farthest ahead in probability. The audit is a simple random sample of all other
/// glows, flagged or not, so that every glow could have been chosen: n / N each. Audits of the same ground add up to one
/// sample: each glow keeps one random number, an audit draws those with the lowest that nobody has checked, and n
/// counts what all audits drew up to there, so that the weights of all audits together are the number of glows (permanent
/// random numbers, Ohlsson 1995, in Business Survey Methods, chapter 9). The size of the audit is
/// fixed before it is drawn: its share, and what the rules cannot fill (under a budget of kilometers by trial draws from another stream), and what is drawn is
/// walked to wherever it lies: leaving out what is far would make it a sample of what is near.
///
/// # Errors
/// An id twice, shares outside 0 to 1 or above 1 together, a budget that is not above 0, a budget of kilometers
/// with glows that have no position, a start farther than 50 km from every glow.
///
/// Under a budget of kilometers only glows near enough to the start are planned with, within half of it or less: the
/// audit then tells of these.
pub fn plan_walk(glows: &[Glow], plan: &WalkPlan) -> Result<Walk> {
    check(glows, plan)?;
    let places = local(glows, plan.start);
    check_start(glows, plan.start)?;
    let (most, places) = match (plan.budget, places) {
        (Budget::Walks(walks), places) => {
            return walk_among(glows, places, split(glows, plan, walks), plan);
        }
        (Budget::Kilometers(most), Some(places)) => (most, places),
        // Without a glow there is no place.
        (Budget::Kilometers(_), None) => {
            return walk_among(glows, None, split(glows, plan, 0), plan);
        }
    };
    let reach = best_reach(glows, plan, &places, most);
    let mut walk = walk_among(&reach.glows, Some(reach.places), reach.filled, plan)?;
    if reach.within.len() == glows.len() {
        return Ok(walk);
    }
    for stop in walk.stops.iter_mut().chain(&mut walk.audited_before) {
        stop.glow = reach.within[stop.glow];
    }
    walk.warnings.push(format!(
        "{} of {} glows are left out: they lie more than {:.2} km from the start{}, and going there leaves fewer places for a walk of \
         {most} km. The audit tells of those within reach only.",
        glows.len() - reach.within.len(),
        glows.len(),
        reach.kilometers,
        match plan.start {
            Some(_) => "",
            None => " (the most probable glow, as none is given)",
        }
    ));
    Ok(walk)
}

/// The glows near the start that a walk is planned with.
struct Reach {
    kilometers: f64,
    within: Vec<usize>,
    glows: Vec<Glow>,
    places: Vec<[f64; 2]>,
    filled: Filled,
}

/// The glows by rule, and the size of the audit.
type Filled = (Vec<(usize, Reason)>, usize);

/// Of the circle of half the budget around the start and the smaller ones that hold a tenth, two tenths and so on of
/// all glows, the one in which the walk holds most places; the largest where equal. Trial draws decide, so that the audit
/// itself has no part in it.
fn best_reach(glows: &[Glow], plan: &WalkPlan, places: &[[f64; 2]], most: f64) -> Reach {
    let away = |i: usize| places[i][0].hypot(places[i][1]) / 1000.0;
    let of = |kilometers: f64| {
        let near = |i: &usize| away(*i) <= kilometers;
        let within: Vec<usize> = (0..glows.len()).filter(near).collect();
        let near: Vec<Glow> = within.iter().map(|&i| glows[i].clone()).collect();
        let places: Vec<[f64; 2]> = within.iter().map(|&i| places[i]).collect();
        Reach {
            kilometers,
            within,
            filled: fit_kilometers(&near, plan, &places, most),
            glows: near,
            places,
        }
    };
    let stops = |reach: &Reach| reach.filled.0.len() + reach.filled.1;
    let mut far: Vec<f64> = (0..glows.len()).map(away).collect();
    far.sort_by(f64::total_cmp);
    let tenths = (1..10).rev().map(|k| far[(k * far.len()).div_ceil(10) - 1]);
    let mut best = of(most / 2.0);
    for kilometers in tenths.filter(|km| *km < most / 2.0) {
        let smaller = of(kilometers);
        if stops(&smaller) > stops(&best) {
            best = smaller;
        }
    }
    best
}

/// An audit of a smaller share than this makes every audited patch weigh more than fifty others.
const LEAST_AUDIT: f64 = 0.02;

/// The walk among glows that lie `positions` from the start, where all positions are known.
fn walk_among(
    glows: &[Glow],
    positions: Option<Vec<[f64; 2]>>,
    (rules, audit): Filled,
    plan: &WalkPlan,
) -> Result<Walk> {
    let mut warnings = Vec::new();
    let chosen: BTreeSet<usize> = rules.iter().map(|(glow, _)| *glow).collect();
    let rest: Vec<usize> = (0..glows.len()).filter(|i| !chosen.contains(i)).collect();
    let Audit {
        drawn,
        again,
        probability: share,
    } = draw_audit(glows, &rest, audit, plan.seed);
    if drawn.is_empty() && rest.iter().any(|&i| glows[i].audited.is_none()) {
        warnings.push(
            "No audit: nothing is drawn at random, so the figures of this season will be of the chosen places only.".to_string(),
        );
    }
    if let (Budget::Kilometers(most), true) = (plan.budget, rules.is_empty() && drawn.is_empty()) {
        return Err(Error::too_little(format!(
            "no walk of {most} km from the start reaches a glow and comes back"
        ))
        .remedy("allow more kilometers, or start nearer (latitude first, then longitude)"));
    }
    if !drawn.is_empty() && share < LEAST_AUDIT {
        warnings.push(format!(
            "Each of the {} audited places will stand for {:.0}: figures weighted so hang on single finds. Audit more, by more walks or \
             a larger share, before they are relied upon.",
            drawn.len(),
            1.0 / share
        ));
    }
    let audited = |glow: usize| Stop {
        glow,
        reason: Reason::Audit,
        inclusion_probability: share,
    };
    let mut stops: Vec<Stop> = rules
        .iter()
        .map(|&(glow, reason)| Stop {
            glow,
            reason,
            inclusion_probability: 1.0,
        })
        .collect();
    stops.extend(drawn.iter().map(|&glow| audited(glow)));
    let kilometers = positions.map(|places| {
        let at: Vec<[f64; 2]> = stops.iter().map(|s| places[s.glow]).collect();
        let order = route([0.0, 0.0], &at);
        let length = route_length([0.0, 0.0], &at, &order) / 1000.0;
        stops = order.iter().map(|&i| stops[i].clone()).collect();
        length
    });
    if let (Budget::Kilometers(most), Some(length)) = (plan.budget, kilometers)
        && length > most
    {
        warnings.push(format!(
            "The walk is {length:.2} km, more than the {most} km asked for: the audit fell far apart, and leaving out what is far would spoil it."
        ));
    }
    let heavier = |glow: &usize| glows[*glow].audited.is_some_and(|before| before < share);
    Ok(Walk {
        stops,
        audited_before: again.into_iter().filter(heavier).map(audited).collect(),
        audited_among: rest.len(),
        kilometers,
        warnings,
    })
}

fn check(glows: &[Glow], plan: &WalkPlan) -> Result<()> {
    let mut seen = BTreeSet::new();
    for glow in glows {
        if !seen.insert(&glow.id) {
            return Err(
                Error::input(format!("the glow \"{}\" stands twice", glow.id))
                    .remedy("give every glow an id of its own"),
            );
        }
        if !(0.0..=1.0).contains(&glow.p_positive) {
            return Err(Error::input(format!(
                "the glow \"{}\" has probability {}, expected 0 to 1",
                glow.id, glow.p_positive
            )));
        }
    }
    let shares = [plan.audit_share, plan.near_share, plan.novel_share];
    if shares.iter().any(|s| !(0.0..=1.0).contains(s)) || shares.iter().sum::<f64>() > 1.0 + 1e-9 {
        return Err(Error::input(format!(
            "found shares of {}, {} and {} for audit, near the cut and novel, expected 0 to 1 and no more than 1 together",
            shares[0], shares[1], shares[2]
        )));
    }
    match plan.budget {
        Budget::Walks(0) => Err(Error::input("found 0 walks, expected 1 or more")),
        Budget::Kilometers(km) if !(km > 0.0 && km.is_finite()) => {
            Err(Error::input(format!("found {km} km, expected more than 0")))
        }
        Budget::Kilometers(_) => match glows.iter().find(|g| g.position.is_none()) {
            Some(glow) => Err(Error::input(format!(
                "the glow \"{}\" has no position, and a budget of kilometers needs one for each",
                glow.id
            ))
            .remedy("give a number of walks instead, or score the strip with a row table")),
            None => Ok(()),
        },
        Budget::Walks(_) => Ok(()),
    }
}

/// A start that is farther than this from every glow is a slip.
const FARTHEST_START_KM: f64 = 50.0;

/// Fails where a stated start is far from all glows, and says so where latitude and longitude are
/// swapped in it.
fn check_start(glows: &[Glow], start: Option<(f64, f64)>) -> Result<()> {
    let Some(start) = start else { return Ok(()) };
    let nearest_km = |from: (f64, f64)| {
        let places = glows.iter().filter_map(|g| g.position);
        let distances = places.map(|place| {
            let (east, north) = offset_m(from, place);
            east.hypot(north) / 1000.0
        });
        distances.reduce(f64::min)
    };
    let Some(nearest) = nearest_km(start).filter(|km| *km > FARTHEST_START_KM) else {
        return Ok(());
    };
    let swapped = (start.1, start.0);
    let fits =
        swapped.0.abs() <= 90.0 && nearest_km(swapped).is_some_and(|km| km <= FARTHEST_START_KM);
    let hint = match fits {
        true => format!(
            "latitude and longitude are swapped: give {},{}",
            swapped.0, swapped.1
        ),
        false => {
            "give latitude first, then longitude, in degrees, south and west negative".to_string()
        }
    };
    Err(Error::input(format!(
        "the start {},{} is about {nearest:.0} km from the nearest glow, expected at most {FARTHEST_START_KM}",
        start.0, start.1
    ))
    .remedy(hint))
}

/// East and north in m of every glow from the start, or from the most probable glow where none is
/// stated; absent unless all have a position.
fn local(glows: &[Glow], start: Option<(f64, f64)>) -> Option<Vec<[f64; 2]>> {
    let first = by_probability(glows).first().copied()?;
    let start = start.or(glows[first].position)?;
    glows
        .iter()
        .map(|g| {
            let (east, north) = offset_m(start, g.position?);
            Some([east, north])
        })
        .collect()
}

/// Those that may be walked to, the most probable first.
fn by_probability(glows: &[Glow]) -> Vec<usize> {
    let mut order: Vec<usize> = (0..glows.len())
        .filter(|&i| glows[i].audited.is_none())
        .collect();
    order.sort_by(|&a, &b| glows[b].p_positive.total_cmp(&glows[a].p_positive));
    order
}

/// So many glows by rule: the shares near the cut and novel first, the most probable fill the rest.
fn by_rule(glows: &[Glow], plan: &WalkPlan, count: usize) -> Vec<(usize, Reason)> {
    let order = by_probability(glows);
    let of_rules = (1.0 - plan.audit_share).max(1e-9);
    let part = |share: f64| (share / of_rules * count as f64).round() as usize;
    let mut chosen: Vec<(usize, Reason)> = Vec::new();
    let take = |chosen: &mut Vec<(usize, Reason)>, from: &[usize], most: usize, reason: Reason| {
        let mut taken = 0;
        for &glow in from {
            if taken == most || chosen.len() == count {
                break;
            }
            if chosen.iter().all(|(c, _)| *c != glow) {
                chosen.push((glow, reason));
                taken += 1;
            }
        }
    };
    let known = |g: &usize| matches!(glows[*g].decision, Decision::Walk | Decision::Pass);
    let novel: Vec<usize> = order
        .iter()
        .copied()
        .filter(|&g| glows[g].decision == Decision::Novel)
        .collect();
    let log_odds = |p: f64| {
        let p = p.clamp(1e-9, 1.0 - 1e-9);
        (p / (1.0 - p)).ln()
    };
    let mut near: Vec<usize> = order.iter().copied().filter(known).collect();
    let from_cut = |g: usize| (log_odds(glows[g].p_positive) - log_odds(plan.cut)).abs();
    near.sort_by(|&a, &b| from_cut(a).total_cmp(&from_cut(b)));
    let walks: Vec<usize> = order
        .iter()
        .copied()
        .filter(|&g| glows[g].decision == Decision::Walk)
        .collect();
    take(&mut chosen, &novel, part(plan.novel_share), Reason::Novel);
    let highest = count.saturating_sub(chosen.len() + part(plan.near_share));
    take(&mut chosen, &walks, highest, Reason::Highest);
    take(&mut chosen, &near, part(plan.near_share), Reason::NearCut);
    // What a rule could not fill goes to the most probable.
    take(&mut chosen, &walks, count, Reason::Highest);
    chosen
}

/// The glows by rule, and the audit's size: its share of the walks, and what the rules could not fill.
fn split(glows: &[Glow], plan: &WalkPlan, walks: usize) -> Filled {
    let audit = (plan.audit_share * walks as f64).round() as usize;
    let rules = by_rule(glows, plan, walks.saturating_sub(audit));
    let left = match audit {
        0 => 0,
        _ => walks - rules.len(),
    };
    (rules, left)
}

/// What an audit draws.
struct Audit {
    drawn: Vec<usize>,
    /// Of earlier audits, within the same part of the ground.
    again: Vec<usize>,
    /// Probability of each to have been drawn by now.
    probability: f64,
}

/// Draws so many of `rest` that nobody has checked, those with the lowest numbers.
fn draw_audit(glows: &[Glow], rest: &[usize], count: usize, seed: u64) -> Audit {
    let mut order = by_lasting_number(glows, rest, seed);
    let open = |glow: &usize| glows[*glow].audited.is_none();
    let mut left = count;
    let within = order
        .iter()
        .take_while(|glow| {
            let more = left > 0;
            left -= usize::from(more && open(glow));
            more
        })
        .count();
    order.truncate(within);
    order.sort_unstable();
    let (drawn, again) = order.into_iter().partition(open);
    Audit {
        drawn,
        again,
        probability: within as f64 / rest.len().max(1) as f64,
    }
}

/// Glows in the order of a random number that each keeps from walk to walk.
///
/// Within a source those of earlier audits come first: drawn at random, they stand for the lowest numbers there,
/// by whatever numbers they were drawn.
fn by_lasting_number(glows: &[Glow], rest: &[usize], seed: u64) -> Vec<usize> {
    let number = |glow: usize| stream(seed, &format!("audit {}", glows[glow].id), 0).next_u64();
    let mut by_source: BTreeMap<&str, Vec<(u64, usize)>> = BTreeMap::new();
    for &glow in rest {
        let of_source = by_source.entry(&glows[glow].source).or_default();
        of_source.push((number(glow), glow));
    }
    let mut all = Vec::with_capacity(rest.len());
    for mut of_source in by_source.into_values() {
        of_source.sort_unstable();
        let numbers: Vec<u64> = of_source.iter().map(|(number, _)| *number).collect();
        of_source.sort_by_key(|(_, glow)| glows[*glow].audited.is_none());
        all.extend(
            numbers
                .into_iter()
                .zip(of_source.into_iter().map(|(_, g)| g)),
        );
    }
    all.sort_unstable();
    all.into_iter().map(|(_, glow)| glow).collect()
}

fn draw(from: &[usize], count: usize, seed: u64, job: &str) -> Vec<usize> {
    let mut order = from.to_vec();
    order.shuffle(&mut stream(seed, job, 0));
    order.truncate(count);
    order.sort_unstable();
    order
}

/// The most glows by rule, and the audit's size, that a walk of so many km holds.
fn fit_kilometers(glows: &[Glow], plan: &WalkPlan, places: &[[f64; 2]], most: f64) -> Filled {
    const TRIALS: usize = 5;
    let length = |walks: usize| -> f64 {
        let (rules, audit) = split(glows, plan, walks);
        let rest: Vec<usize> = (0..glows.len())
            .filter(|&i| glows[i].audited.is_none() && rules.iter().all(|(c, _)| *c != i))
            .collect();
        let longest = (0..TRIALS)
            .map(|trial| {
                let job = format!("trial audit {trial}");
                let mut stops: Vec<usize> = rules.iter().map(|(g, _)| *g).collect();
                stops.extend(draw(&rest, audit, plan.seed, &job));
                let at: Vec<[f64; 2]> = stops.iter().map(|&s| places[s]).collect();
                route_length([0.0, 0.0], &at, &route([0.0, 0.0], &at))
            })
            .fold(0.0, f64::max);
        longest / 1000.0
    };
    let (mut fits, mut too_many) = (0, glows.len() + 1);
    while too_many - fits > 1 {
        let middle = (fits + too_many) / 2;
        match length(middle) <= most {
            true => fits = middle,
            false => too_many = middle,
        }
    }
    split(glows, plan, fits)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn glows(count: usize) -> Vec<Glow> {
        (0..count)
            .map(|i| {
                let p = i as f64 / count as f64;
                Glow {
                    id: format!("g{i}"),
                    p_positive: p,
                    decision: match i % 10 {
                        3 => Decision::Novel,
                        _ if p >= 0.8 => Decision::Walk,
                        _ => Decision::Pass,
                    },
                    record: Vec::new(),
                    source: String::new(),
                    audited: None,
                    position: Some((35.0 + (i % 7) as f64 * 1e-3, -106.0 + (i / 7) as f64 * 1e-3)),
                }
            })
            .collect()
    }

    fn plan(budget: Budget) -> WalkPlan {
        WalkPlan {
            budget,
            audit_share: 0.25,
            near_share: 0.2,
            novel_share: 0.1,
            cut: 0.8,
            start: None,
            seed: 7,
        }
    }

    #[test]
    fn a_walk_holds_what_was_asked_for() {
        let walk = plan_walk(&glows(100), &plan(Budget::Walks(20))).unwrap();
        let count = |reason| walk.stops.iter().filter(|s| s.reason == reason).count();
        assert_eq!(walk.stops.len(), 20);
        assert_eq!(count(Reason::Audit), 5);
        assert_eq!(count(Reason::Novel), 2);
        assert_eq!(count(Reason::NearCut), 4);
        assert_eq!(count(Reason::Highest), 9);
    }

    #[test]
    fn the_audit_is_drawn_from_all_that_no_rule_chose_each_with_n_of_n() {
        let walk = plan_walk(&glows(100), &plan(Budget::Walks(20))).unwrap();
        assert_eq!(walk.audited_among, 85);
        for stop in &walk.stops {
            let expected = match stop.reason {
                Reason::Audit => 5.0 / 85.0,
                _ => 1.0,
            };
            assert_eq!(stop.inclusion_probability, expected);
        }
    }

    #[test]
    fn what_is_out_of_reach_is_left_out_and_said() {
        let mut all = glows(60);
        for glow in all.iter_mut().skip(40) {
            glow.position = Some((36.0, -106.0));
        }
        let near = WalkPlan {
            start: Some((35.0, -106.0)),
            ..plan(Budget::Kilometers(4.0))
        };
        let walk = plan_walk(&all, &near).unwrap();
        assert!(!walk.stops.is_empty());
        assert!(walk.stops.iter().all(|s| s.glow < 40), "{:?}", walk.stops);
        let said = walk
            .warnings
            .iter()
            .any(|w| w.contains("of 60 glows are left out"));
        assert!(said, "{:?}", walk.warnings);
        let nowhere = WalkPlan {
            start: Some((35.1, -106.2)),
            ..near
        };
        let error = plan_walk(&all, &nowhere).unwrap_err().to_string();
        assert!(error.contains("no walk of 4 km"), "{error}");
    }

    #[test]
    fn a_start_far_from_every_glow_is_refused_and_a_swapped_one_is_put_right() {
        let complaint = |start| {
            let plan = WalkPlan {
                start: Some(start),
                ..plan(Budget::Walks(10))
            };
            plan_walk(&glows(20), &plan).map_err(|e| e.to_string())
        };
        let swapped = complaint((-106.0, 35.0)).unwrap_err();
        assert!(swapped.contains("give 35,-106"), "{swapped}");
        let elsewhere = complaint((36.0, -106.0)).unwrap_err();
        assert!(
            elsewhere.contains("about 110 km") && elsewhere.contains("latitude first"),
            "{elsewhere}"
        );
        assert!(complaint((35.3, -106.0)).is_ok());
    }

    #[test]
    fn over_many_seeds_the_audit_takes_every_other_glow_equally_often() {
        let all = glows(30);
        let mut times = vec![0.0_f64; 30];
        for seed in 0..2000 {
            let plan = WalkPlan {
                seed,
                ..plan(Budget::Walks(12))
            };
            for stop in plan_walk(&all, &plan).unwrap().stops {
                if stop.reason == Reason::Audit {
                    times[stop.glow] += 1.0;
                }
            }
        }
        // 3 of 21 each: 286 expected, standard deviation 16.
        for t in times.iter().filter(|t| **t > 0.0) {
            assert!((t - 285.7).abs() < 75.0, "{t}");
        }
        assert_eq!(times.iter().filter(|t| **t > 0.0).count(), 21);
    }

    /// Four audits, one after the other, of ground that grows by a strip before the third. Those of
    /// `marked` that the audits find, each weighted by the inverse of its probability.
    fn audited_four_times(seed: u64, marked: impl Fn(usize) -> bool) -> (f64, f64) {
        let mut all = glows(200);
        for (i, glow) in all.iter_mut().enumerate() {
            glow.decision = Decision::Pass;
            glow.source = ["old", "new"][usize::from(i >= 120)].to_string();
        }
        for round in 0..4 {
            let known = if round < 2 { 120 } else { 200 };
            let plan = WalkPlan {
                seed,
                audit_share: 1.0,
                near_share: 0.0,
                novel_share: 0.0,
                ..plan(Budget::Walks(10))
            };
            let walk = plan_walk(&all[..known], &plan).unwrap();
            assert_eq!(walk.stops.len(), 10);
            for stop in walk.stops.iter().chain(&walk.audited_before) {
                all[stop.glow].audited = Some(stop.inclusion_probability);
            }
        }
        let weight = |keep: &dyn Fn(usize) -> bool| -> f64 {
            let of = all.iter().enumerate().filter(|(i, _)| keep(*i));
            of.filter_map(|(_, glow)| glow.audited.map(|p| 1.0 / p))
                .sum()
        };
        (weight(&|_| true), weight(&marked))
    }

    #[test]
    fn audits_of_the_same_ground_add_up_to_one_sample() {
        let seasons = 400;
        let mut sums = [0.0; 3];
        for seed in 0..seasons {
            let (all, marked) = audited_four_times(seed, |i| i % 5 == 0);
            let (_, new) = audited_four_times(seed, |i| i >= 120);
            for (sum, x) in sums.iter_mut().zip([all, marked, new]) {
                *sum += x / seasons as f64;
            }
        }
        // 200 glows, 40 of them marked, 80 new; 40 checks a season, so means are known to about 1.5.
        assert!((sums[0] - 200.0).abs() < 4.0, "{sums:?}");
        assert!((sums[1] - 40.0).abs() < 3.0, "{sums:?}");
        assert!((sums[2] - 80.0).abs() < 4.0, "{sums:?}");
    }

    #[test]
    fn an_audit_by_other_numbers_counts_as_the_first_part_of_the_sample() {
        let mut all = glows(100);
        for glow in all.iter_mut().skip(3).step_by(9) {
            glow.audited = Some(0.11);
        }
        let plan = WalkPlan {
            audit_share: 1.0,
            near_share: 0.0,
            novel_share: 0.0,
            ..plan(Budget::Walks(14))
        };
        let walk = plan_walk(&all, &plan).unwrap();
        assert_eq!((walk.stops.len(), walk.audited_before.len()), (14, 11));
        for stop in walk.stops.iter().chain(&walk.audited_before) {
            assert_eq!(stop.inclusion_probability, 0.25);
        }
    }

    #[test]
    fn what_the_rules_cannot_fill_goes_to_the_audit() {
        // A quarter of 60 walks would be 15; only 18 glows are worth a walk.
        let walk = plan_walk(&glows(100), &plan(Budget::Walks(60))).unwrap();
        let audit = walk.stops.iter().filter(|s| s.reason == Reason::Audit);
        assert_eq!(walk.stops.len(), 60);
        assert!(audit.count() > 15);
    }

    #[test]
    fn more_kilometers_reach_more_places() {
        let of = |km| {
            let walk = plan_walk(&glows(60), &plan(Budget::Kilometers(km))).unwrap();
            (walk.stops.len(), walk.kilometers.unwrap())
        };
        let (few, _) = of(1.0);
        let (many, _) = of(6.0);
        assert!(few < many, "{few} {many}");
    }

    #[test]
    fn glows_that_come_within_reach_far_away_cost_no_place_near_by() {
        let mut all = glows(80);
        for (i, glow) in all.iter_mut().enumerate().skip(40) {
            glow.position = Some((35.01 + (i % 7) as f64 * 1e-4, -106.0));
        }
        for (i, glow) in all.iter_mut().enumerate().take(40) {
            glow.position = Some((35.0 + (i % 7) as f64 * 1e-4, -106.0 + (i / 7) as f64 * 1e-4));
        }
        let held = [0.5, 1.0, 2.0, 2.3, 2.6, 3.0, 4.0, 6.0].map(|km| {
            let plan = WalkPlan {
                start: Some((35.0, -106.0)),
                ..plan(Budget::Kilometers(km))
            };
            plan_walk(&all, &plan).unwrap().stops.len()
        });
        assert!(held.is_sorted(), "{held:?}");
    }

    #[test]
    fn the_same_seed_plans_the_same_walk() {
        let plan = plan(Budget::Walks(15));
        assert_eq!(
            plan_walk(&glows(80), &plan).unwrap(),
            plan_walk(&glows(80), &plan).unwrap()
        );
    }

    #[test]
    fn what_cannot_be_planned_is_refused() {
        let refusal =
            |glows: &[Glow], plan: &WalkPlan| plan_walk(glows, plan).unwrap_err().to_string();
        let mut nowhere = glows(5);
        nowhere[2].position = None;
        assert!(refusal(&nowhere, &plan(Budget::Kilometers(3.0))).contains("no position"));
        assert!(refusal(&glows(5), &plan(Budget::Walks(0))).contains("0 walks"));
        let mut twice = glows(5);
        twice[1].id = "g0".into();
        assert!(refusal(&twice, &plan(Budget::Walks(3))).contains("stands twice"));
        let greedy = WalkPlan {
            audit_share: 0.9,
            ..plan(Budget::Walks(3))
        };
        assert!(refusal(&glows(5), &greedy).contains("no more than 1 together"));
    }
}
