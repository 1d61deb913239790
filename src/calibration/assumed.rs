//! A rig without targets: the primaries and white of IEC 61966-2-1 are taken for granted.

use super::rig::*;
use super::{Mapping, MappingKind};
use crate::Result;
use crate::season::{ChromaticityKind, Plan};
use crate::signal::{BitDepth, Response, srgb};

impl Rig {
    /// What `assume = "srgb"` stands for: the standard matrix on the linear signal, luminance
    /// relative to the camera's full scale, no dark level, no leak, rounding the only noise known.
    ///
    /// It is not calibrated, never passes and says so in its warnings.
    pub fn assumed_srgb(plan: &Plan, response: Response) -> Result<Self> {
        let bit_depth = BitDepth::new(plan.rig.bit_depth)?;
        let calibration = &plan.calibration;
        let mut rig = Rig {
            rig: plan.rig.name.clone(),
            laser_nm: plan.rig.laser_nm,
            filter_cut_on_nm: plan.rig.filter_cut_on_nm,
            calibrated: false,
            passed: false,
            chromaticity: ChromaticityKind::ThroughFilter,
            response,
            bit_depth,
            mapping: Mapping {
                kind: MappingKind::Matrix,
                coefficients: srgb::TO_XYZ.map(|row| row.to_vec()),
                channels: [true; 3],
            },
            black: Black {
                signal: [0.0; 3],
                sd: [0.0; 3],
            },
            leak: Leak {
                signal: [0.0; 3],
                sd: [0.0; 3],
                ground_share: calibration.ground_leak_share,
                ground_share_sd: calibration.ground_leak_share_sd,
                target_share: calibration.target_leak_share,
                target_share_sd: calibration.target_leak_share_sd,
                share_of_dimmest: None,
                ground_patches: 0,
            },
            white_point: srgb::WHITE_XYZ,
            noise: Noise {
                read_sd: [0.0; 3],
                gain: [0.0; 3],
                measured: false,
            },
            luminance: LuminanceScale {
                target: None,
                stated_targets: 0,
                height_m: calibration.luminance_height_m,
                irradiance: calibration.irradiance,
                scale: 1.0,
                lack_of_fit: 0.0,
            },
            exposure: Exposure::default(),
            flat: None,
            uncertainty: Uncertainty {
                replicates: Vec::new(),
                lack_of_fit: [[0.0; 2]; 2],
                lack_of_fit_of_targets: None,
                trial_glows: None,
            },
            detection: Detection::wanted(plan),
            errors: None,
            targets: Vec::new(),
            white: None,
            candidates: Vec::new(),
            condition_number: None,
            noise_points: Vec::new(),
            steps: Vec::new(),
            warnings: vec![
                "The rig is not calibrated: the standard's own primaries were assumed, so colors \
                 are comparable within this footage at best, and their stated uncertainty holds \
                 the rounding of code values only."
                    .to_string(),
            ],
        };
        rig.detection = rig.detection_limits();
        rig.warnings.extend(rig.unscreened());
        Ok(rig)
    }
}
