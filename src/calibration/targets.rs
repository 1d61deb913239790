//! Net signal of each target from all its captures.

use super::Leak;
use super::captures::{Captures, Shot};
use super::levels::{Grain, Reduction};
use super::reference::Reference;
use crate::files::nearest_known;
use crate::{Error, Result};
use std::collections::BTreeMap;

/// One target as measured.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Measured {
    /// Its place in the reference.
    pub reference: usize,
    /// Net signal at the reference height and the calibration's exposure, leak removed.
    pub net: [f64; 3],
    /// What moves it by one standard uncertainty: noise of each channel, dark level of each, share
    /// of the leak, leak.
    pub steps: Vec<[f64; 3]>,
    /// Captures averaged.
    pub captures: usize,
}

/// Channel shares of captures of one target further apart than this disagree.
const DISAGREE: f64 = 0.03;
/// Brightness of captures of one target: log10 of 12 %.
const BRIGHTNESS: f64 = 0.05;

/// Every target of the reference, in its order.
///
/// # Errors
/// A captured target that the reference does not have and the reverse; captures of one target that
/// disagree in color; a target with no signal above the dark level and the leak.
pub(super) fn measure(
    captures: &Captures,
    reference: &Reference,
    reduction: &Reduction<'_>,
    leak: &Leak,
    grain: Grain<'_>,
    warnings: &mut Vec<String>,
) -> Result<Vec<Measured>> {
    let known = || reference.targets.iter().map(|t| t.name.as_str());
    let mut shots: BTreeMap<&str, Vec<&Shot>> = BTreeMap::new();
    for shot in &captures.target {
        let name = shot.target.as_deref().unwrap_or("");
        if !known().any(|k| k == name) {
            let remedy = match nearest_known(name, known()) {
                Some(near) => format!("did you mean \"{near}\"?"),
                None => "add it to the reference, or remove the row".to_string(),
            };
            return Err(
                Error::input(format!("the reference has no target \"{name}\""))
                    .line(shot.line)
                    .column("target")
                    .remedy(remedy),
            );
        }
        shots.entry(name).or_default().push(shot);
    }
    let mut found = Vec::with_capacity(reference.targets.len());
    for (at, target) in reference.targets.iter().enumerate() {
        let Some(shots) = shots.get(target.name.as_str()) else {
            return Err(Error::input(format!(
                "the target \"{}\" of the reference has no capture",
                target.name
            ))
            .column("target")
            .remedy("capture it, or take it out of the reference"));
        };
        found.push(of_target(
            at,
            &target.name,
            shots,
            reduction,
            leak,
            grain,
            warnings,
        )?);
    }
    Ok(found)
}

fn of_target(
    reference: usize,
    name: &str,
    shots: &[&Shot],
    reduction: &Reduction<'_>,
    leak: &Leak,
    grain: Grain<'_>,
    warnings: &mut Vec<String>,
) -> Result<Measured> {
    let taken_off = leak.signal.map(|l| leak.target_share * l);
    let nets: Vec<[(f64, f64); 3]> = shots
        .iter()
        .map(|s| {
            let mut net = reduction.net(s, grain);
            for c in 0..3 {
                net[c].0 -= taken_off[c];
            }
            net
        })
        .collect();
    let weights: Vec<f64> = nets
        .iter()
        .map(|n| 1.0 / n.iter().map(|(_, v)| v).sum::<f64>().max(1e-300))
        .collect();
    let all: f64 = weights.iter().sum();
    let mut net = [0.0; 3];
    let mut noise = [0.0; 3];
    let mut dark = 0.0;
    for ((n, w), shot) in nets.iter().zip(&weights).zip(shots) {
        let share = w / all;
        for c in 0..3 {
            net[c] += share * n[c].0;
            noise[c] += share * share * n[c].1;
        }
        dark += share / reduction.light(&shot.reading.capture);
    }
    let sum: f64 = net.iter().sum();
    if sum.is_nan() || sum <= 0.0 {
        return Err(Error::input(format!(
            "the target \"{name}\" shows no signal above the dark level and the leak"
        ))
        .line(shots[0].line)
        .remedy("check its box, the dark captures and calibration.target_leak_share"));
    }
    compare(name, shots, &nets, net, warnings)?;
    let mut steps = vec![[0.0; 3]; 8];
    for c in 0..3 {
        steps[c][c] = noise[c].sqrt();
        steps[3 + c][c] = dark * reduction.black.sd[c];
        steps[6][c] = leak.target_share_sd * leak.signal[c];
        steps[7][c] = leak.target_share * leak.sd[c];
    }
    Ok(Measured {
        reference,
        net,
        steps,
        captures: shots.len(),
    })
}

/// Fails if captures of one target differ in color; says so if they differ in brightness.
fn compare(
    name: &str,
    shots: &[&Shot],
    nets: &[[(f64, f64); 3]],
    mean: [f64; 3],
    warnings: &mut Vec<String>,
) -> Result<()> {
    if shots.len() < 2 {
        return Ok(());
    }
    let whole: f64 = mean.iter().sum();
    let mut squares = 0.0;
    for (shot, net) in shots.iter().zip(nets) {
        let sum: f64 = net.iter().map(|n| n.0).sum();
        for c in 0..3 {
            let apart = (net[c].0 / sum - mean[c] / whole).abs();
            if apart > DISAGREE + 5.0 * net[c].1.sqrt() / sum.abs() {
                return Err(Error::input(format!(
                    "captures of \"{name}\" disagree: its {} channel has {:.3} of the signal here and \
                     {:.3} in the mean of lines {}",
                    ["red", "green", "blue"][c],
                    net[c].0 / sum,
                    mean[c] / whole,
                    shots
                        .iter()
                        .map(|s| s.line.to_string())
                        .collect::<Vec<_>>()
                        .join(", ")
                ))
                .line(shot.line)
                .column("target")
                .remedy(
                    "check the name and the box, and that white balance and exposure were fixed",
                ));
            }
        }
        squares += (sum / whole).max(1e-9).log10().powi(2);
    }
    let sd = (squares / (shots.len() - 1) as f64).sqrt();
    if sd > BRIGHTNESS {
        warnings.push(format!(
            "Captures of {name} differ in brightness by {:.0} % after height and exposure are allowed \
             for: check heights, exposures and calibration.irradiance.",
            100.0 * (10_f64.powf(sd) - 1.0)
        ));
    }
    Ok(())
}
