//! The ground's share of the white target's leak, from captures of ground.
//!
//! Glow and leak both go with the laser's irradiance, so no change of height or exposure can tell
//! them apart. Patches of one material that glow more and less can: each records
//! n = s d + a L (d the hue of the glow, of sum 1, L the white's leak, a the share), so that the
//! part of a channel is n_c / N = d_c + a (L_c - d_c sum L) / N, a straight line over 1 / N. Its
//! intercept is the hue, its slope the share.
//!
//! Limits: a material whose dim patches differ in hue from its bright ones is taken for leak.

use super::Leak;
use super::captures::{Captures, Shot};
use super::levels::{Grain, Reduction};
use crate::numeric::least_squares::linear;
use std::collections::BTreeMap;

/// Fewest patches of a material: a line and something to judge it by.
const FEWEST: usize = 6;
/// Hue of patches of one material scatters by so much of the signal beside noise; common practice,
/// no source. It only balances dim patches against bright ones: the error comes from the scatter
/// that is there.
const HUE: f64 = 0.003;

/// A share with its standard uncertainty.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Share {
    value: f64,
    sd: f64,
}

/// Replaces the season's share of the ground by that which its captures show, if they show it
/// better than the season's spread; says what was done.
pub(super) fn estimate(
    captures: &Captures,
    reduction: &Reduction<'_>,
    grain: Grain<'_>,
    leak: &mut Leak,
    warnings: &mut Vec<String>,
) {
    let mut materials: BTreeMap<&str, Vec<&Shot>> = BTreeMap::new();
    for shot in &captures.ground {
        let name = shot.target.as_deref().unwrap_or("");
        materials.entry(name).or_default().push(shot);
    }
    if materials.is_empty() || leak.signal.iter().sum::<f64>() <= 0.0 {
        return;
    }
    let (mut weights, mut sum, mut patches) = (0.0, 0.0, 0);
    for (name, shots) in &materials {
        let nets: Vec<[(f64, f64); 3]> = shots.iter().map(|s| reduction.net(s, grain)).collect();
        let Some(share) = of_material(&nets, leak.signal) else {
            warnings.push(format!(
                "The ground captures of {name} say nothing of the leak: expected at least {FEWEST} \
                 patches of different brightness."
            ));
            continue;
        };
        weights += share.sd.powi(-2);
        sum += share.value / share.sd.powi(2);
        patches += shots.len();
    }
    if weights == 0.0 {
        return;
    }
    let (value, sd) = (sum / weights, 1.0 / f64::sqrt(weights));
    let text = format!("{value:.2} with a standard uncertainty of {sd:.2}");
    if sd > leak.ground_share_sd {
        warnings.push(format!(
            "The ground captures give the ground's share of the leak as {text}, which is less sure \
             than the season's; {:.2} was kept.",
            leak.ground_share
        ));
        return;
    }
    if value < -2.0 * sd || value > 1.2 + 2.0 * sd {
        warnings.push(format!(
            "The ground captures give the ground's share of the leak as {text}, which no ground has; \
             {:.2} was kept. The dim patches differ in hue from the bright ones.",
            leak.ground_share
        ));
        return;
    }
    leak.ground_share = value.max(0.0);
    leak.ground_share_sd = leak.ground_share_sd.hypot(sd);
    leak.ground_patches = patches;
}

/// The share by patches of one material; `None` where they are too few or all of one brightness.
fn of_material(nets: &[[(f64, f64); 3]], leak: [f64; 3]) -> Option<Share> {
    let total: f64 = leak.iter().sum();
    let bright: Vec<_> = nets
        .iter()
        .map(|n| {
            let sum: f64 = n.iter().map(|c| c.0).sum();
            let variance: f64 = n.iter().map(|c| c.1).sum();
            (n, sum, variance)
        })
        .filter(|(_, sum, variance)| *sum > 10.0 * variance.sqrt())
        .collect();
    if bright.len() < FEWEST {
        return None;
    }
    let whole: f64 = bright.iter().map(|(_, sum, _)| sum).sum();
    let hue = |c: usize| bright.iter().map(|(n, _, _)| n[c].0).sum::<f64>() / whole;
    // The channel whose part the leak changes most; the parts add to 1, the others say the same.
    let contrast = |c: usize, hue: f64| leak[c] - hue * total;
    let channel = (0..3).max_by(|a, b| {
        let of = |c: usize| contrast(c, hue(c)).abs();
        of(*a).total_cmp(&of(*b))
    })?;
    let (mut rows, mut values) = (Vec::new(), Vec::new());
    for (n, sum, variance) in &bright {
        let part = n[channel].0 / sum;
        let own = n[channel].1;
        let noise = (own * (1.0 - part).powi(2) + (variance - own) * part * part) / (sum * sum);
        let weight = 1.0 / (noise + HUE * HUE).sqrt();
        rows.push(vec![weight, weight / sum]);
        values.push(weight * part);
    }
    let fit = linear(&rows, &values).ok()?;
    let [intercept, slope] = fit.coefficients[..] else {
        return None;
    };
    let error = fit.standard_errors?[1];
    let effect = contrast(channel, intercept);
    // Student's t of n - 2 degrees has a variance of (n - 2) / (n - 4).
    let degrees = (bright.len() - 2) as f64;
    let few = (degrees / (degrees - 2.0)).sqrt();
    let found = Share {
        value: slope / effect,
        sd: few * error / effect.abs(),
    };
    (found.value.is_finite() && found.sd.is_finite() && found.sd > 0.0).then_some(found)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::numeric::Draw;

    const LEAK: [f64; 3] = [0.001, 0.002, 0.012];
    const HUE_OF_CLAY: [f64; 3] = [0.45, 0.4, 0.15];

    /// Patches that glow from dim to bright, with noise and a hue that scatters.
    fn patches(count: usize, share: f64, draw: &mut Draw) -> Vec<[(f64, f64); 3]> {
        let sd = 5e-5;
        (0..count)
            .map(|i| {
                let glow = 0.02 * 20_f64.powf(i as f64 / (count - 1) as f64);
                let scatter = 0.003 * draw.normal();
                std::array::from_fn(|c| {
                    let hue = HUE_OF_CLAY[c] + [-0.5, -0.5, 1.0][c] * scatter;
                    (glow * hue + share * LEAK[c] + sd * draw.normal(), sd * sd)
                })
            })
            .collect()
    }

    #[test]
    fn the_share_comes_back_and_its_interval_holds() {
        let mut draw = Draw::new(5, "ground", 0);
        let (mut inside, mut sum, mut spread) = (0, 0.0, 0.0);
        let rounds = 1000;
        for _ in 0..rounds {
            let found = of_material(&patches(12, 0.4, &mut draw), LEAK).unwrap();
            inside += usize::from((found.value - 0.4).abs() < 1.96 * found.sd);
            sum += found.value;
            spread += found.sd;
        }
        let rounds = f64::from(rounds);
        assert!((sum / rounds - 0.4).abs() < 0.01, "{}", sum / rounds);
        // The deviation is widened to that of Student's t, whose 95 % lie within a little more.
        let share = inside as f64 / rounds;
        assert!((0.93..=0.98).contains(&share), "{share}");
        assert!(spread / rounds < 0.1, "{}", spread / rounds);
    }

    #[test]
    fn patches_of_one_brightness_say_nothing() {
        let one: Vec<_> = (0..12)
            .map(|_| HUE_OF_CLAY.map(|h| (0.1 * h, 1e-9)))
            .collect();
        let found = of_material(&one, LEAK);
        assert!(found.is_none_or(|f| f.sd > 1.0), "{found:?}");
        let mut draw = Draw::new(5, "ground", 1);
        assert!(of_material(&patches(5, 0.4, &mut draw), LEAK).is_none());
    }
}
