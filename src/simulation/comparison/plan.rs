//! What all options of a comparison share.

use crate::calibration::Rig;
use crate::season::Season;
use crate::signal::{BitDepth, Response};
use crate::simulation::Noise;
use crate::spectra::Sensitivities;
use crate::{Error, Result};

/// What all options share: the camera, the patch, the classes that matter.
#[derive(Debug, Clone)]
pub struct ComparisonPlan {
    /// Sensitivities of the channels.
    pub sensitivities: Sensitivities,
    /// Noise of one pixel, of each channel.
    pub noise: [Noise; 3],
    /// Dark level, a share of full scale.
    pub black: [f64; 3],
    /// Response curve.
    pub response: Response,
    /// Bits per channel of the code values.
    pub depth: BitDepth,
    /// Share of full scale that the strongest channel of the brightest class reaches under the
    /// first option at irradiance 1, above 0 to 1: this sets the exposure for all options.
    pub brightest_signal: f64,
    /// Pixels of a patch, at least 1.
    pub pixels: u64,
    /// Leak off the ground as a share of a white target's.
    pub leak_share: f64,
    /// Its standard deviation between patches.
    pub leak_share_sd: f64,
    /// The classes that are worth a walk.
    pub positive: Vec<String>,
}

impl ComparisonPlan {
    /// The plan of a season: its camera, leak shares and positive classes. Noise, dark level and
    /// leak shares are those that its calibration found; without one there is no dark level and
    /// the noise is [`Noise::SUPPOSED`].
    ///
    /// The brightest class is brought to half of full scale and a patch has 100 pixels.
    ///
    /// # Errors
    /// A season without `rig.sensitivities`, or one whose tables cannot be read.
    pub fn of_season(season: &Season, rig: Option<&Rig>) -> Result<Self> {
        let plan = &season.plan;
        let Some(sensitivities) = &plan.rig.sensitivities else {
            return Err(Error::input("the key is missing")
                .at(season.file())
                .key("rig.sensitivities")
                .remedy("name a table wavelength_nm,r,g,b of the camera's sensitivities"));
        };
        let depth = BitDepth::new(plan.rig.bit_depth)?;
        Ok(ComparisonPlan {
            sensitivities: Sensitivities::read(&season.resolve(sensitivities))
                .map_err(|e| e.named_by("rig.sensitivities"))?,
            noise: rig.and_then(Noise::of_rig).unwrap_or([Noise::SUPPOSED; 3]),
            black: rig.map_or([0.0; 3], |rig| rig.black.signal),
            response: Response::read(&plan.rig.response, season.folder(), depth)?,
            depth,
            brightest_signal: 0.5,
            pixels: 100,
            leak_share: rig.map_or(plan.calibration.ground_leak_share, |rig| {
                rig.leak.ground_share
            }),
            leak_share_sd: rig.map_or(plan.calibration.ground_leak_share_sd, |rig| {
                rig.leak.ground_share_sd
            }),
            positive: plan.ledger.positive.clone(),
        })
    }
}
