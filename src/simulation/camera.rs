//! A rig on paper: from light to code values.

use super::Draw;
use crate::calibration::Rig;
use crate::season::IrradianceLaw;
use crate::signal::{BitDepth, LinearSignal, Response};
use crate::spectra::{Filter, Sensitivities, Spectrum};

/// Noise of a sensor (EMVA 1288): electrons are counted, then read with an error.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Noise {
    /// Electrons that full scale stands for.
    pub full_scale_electrons: f64,
    /// Standard deviation of reading, in electrons.
    pub read_electrons: f64,
}

impl Noise {
    /// Typical of small low-light sensors at moderate gain; common practice, no source.
    pub const SUPPOSED: Noise = Noise {
        full_scale_electrons: 15_000.0,
        read_electrons: 8.0,
    };

    /// The noise that a calibration measured, of each channel; absent where it measured none.
    pub fn of_rig(rig: &Rig) -> Option<[Noise; 3]> {
        // A gain of 0 is one too small to be seen: so many electrons that their noise is nothing.
        let of = |gain: f64, read_sd: f64| {
            let full_scale_electrons = 1.0 / gain.max(1e-9);
            Noise {
                full_scale_electrons,
                read_electrons: read_sd * full_scale_electrons,
            }
        };
        let noise = &rig.noise;
        noise
            .measured
            .then(|| std::array::from_fn(|c| of(noise.gain[c], noise.read_sd[c])))
    }

    /// Variance of one pixel's linear signal at a signal net of the dark level, both as shares of
    /// full scale.
    ///
    /// ```
    /// use boneglow::simulation::Noise;
    /// let noise = Noise { full_scale_electrons: 10_000.0, read_electrons: 5.0 };
    /// assert_eq!(noise.variance(0.0), 2.5e-7);
    /// assert!((noise.variance(0.25) - 2.525e-5).abs() < 1e-15);
    /// ```
    pub fn variance(&self, net: f64) -> f64 {
        net.max(0.0) / self.full_scale_electrons
            + (self.read_electrons / self.full_scale_electrons).powi(2)
    }
}

/// Everything between a glowing ground and the code values of a picture.
#[derive(Debug, Clone, PartialEq)]
pub struct VirtualRig {
    /// Sensitivities of the channels.
    pub sensitivities: Sensitivities,
    /// The filter before the lens.
    pub filter: Filter,
    /// Share of full scale per unit of channel response, at irradiance 1.
    pub gain: f64,
    /// Dark level, a share of full scale.
    pub black: [f64; 3],
    /// Leak of laser light off a white target that does not fluoresce, a share of full scale at
    /// irradiance 1.
    pub leak: [f64; 3],
    /// How irradiance falls with height.
    pub irradiance: IrradianceLaw,
    /// Height in m at which irradiance is 1.
    pub height_m: f64,
    /// Noise of one pixel, of each channel.
    pub noise: [Noise; 3],
    /// Response curve.
    pub response: Response,
    /// Bits per channel of the code values.
    pub depth: BitDepth,
}

/// Means and standard deviations of the code values of a patch.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PatchCodes {
    /// Mean code value of each channel.
    pub mean: [f64; 3],
    /// Standard deviation of the pixels of each channel.
    pub sd: [f64; 3],
    /// Number of pixels.
    pub pixels: u64,
}

impl VirtualRig {
    /// Signal of a glow at irradiance 1, net of dark and leak, as a share of full scale.
    pub fn glow(&self, glow: &Spectrum) -> [f64; 3] {
        let response = self.sensitivities.response(&self.filter, glow);
        response.map(|value| value * self.gain)
    }

    /// Mean signal, dark level included: the glow plus a share of the white target's leak, at a
    /// height and a relative exposure.
    pub fn mean(
        &self,
        glow: [f64; 3],
        leak_share: f64,
        height_m: f64,
        exposure: f64,
    ) -> LinearSignal {
        let light = self.irradiance.relative(height_m, self.height_m) * exposure;
        LinearSignal(std::array::from_fn(|c| {
            self.black[c] + light * (glow[c] + leak_share * self.leak[c])
        }))
    }

    /// Code values of one pixel with this mean signal.
    pub fn pixel(&self, mean: LinearSignal, draw: &mut Draw) -> [u16; 3] {
        let noisy = std::array::from_fn(|c: usize| {
            let net = mean.0[c] - self.black[c];
            mean.0[c] + self.noise[c].variance(net).sqrt() * draw.normal()
        });
        let codes = self.response.codes(LinearSignal(noisy), self.depth);
        codes.0.map(|code| code.round() as u16)
    }

    /// Code values of a patch: `texture` is the standard deviation of a factor on the glow that
    /// the channels of a pixel share (roughness of the ground).
    pub fn patch(
        &self,
        mean: LinearSignal,
        texture: f64,
        pixels: u64,
        draw: &mut Draw,
    ) -> PatchCodes {
        let (mut sum, mut squares) = ([0.0; 3], [0.0; 3]);
        for _ in 0..pixels {
            let factor = draw.factor(texture);
            let rough =
                std::array::from_fn(|c| self.black[c] + (mean.0[c] - self.black[c]) * factor);
            let codes = self.pixel(LinearSignal(rough), draw);
            for c in 0..3 {
                let code = f64::from(codes[c]);
                sum[c] += code;
                squares[c] += code * code;
            }
        }
        let count = pixels.max(1) as f64;
        let mean = sum.map(|s| s / count);
        PatchCodes {
            mean,
            sd: std::array::from_fn(|c| {
                ((squares[c] - count * mean[c] * mean[c]) / (count - 1.0).max(1.0))
                    .max(0.0)
                    .sqrt()
            }),
            pixels,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rig(response: Response) -> VirtualRig {
        let flat = |level: f64| Spectrum::sampled(400.0, 10.0, 31, |_| level);
        VirtualRig {
            sensitivities: Sensitivities::new([flat(1.0), flat(0.5), flat(0.25)]),
            filter: Filter::long_pass(500.0),
            gain: 0.001,
            black: [0.01; 3],
            leak: [0.0, 0.0, 0.02],
            irradiance: IrradianceLaw::Fan,
            height_m: 6.0,
            noise: [Noise {
                full_scale_electrons: 10_000.0,
                read_electrons: 5.0,
            }; 3],
            response,
            depth: BitDepth::new(12).unwrap(),
        }
    }

    #[test]
    fn signal_is_light_times_filter_times_sensitivity() {
        let rig = rig(Response::Linear);
        let glow = Spectrum::sampled(400.0, 5.0, 61, |_| 2.0);
        // 200 nm above the edge at 500 nm, of which the nanometer at the edge passes half, and
        // the sum over whole nanometers counts both ends.
        let signal = rig.glow(&glow);
        assert!((signal[0] - 2.0 * 200.5 * 0.001).abs() < 1e-12);
        assert!((signal[1] / signal[0] - 0.5).abs() < 1e-12);
        let far = rig.mean(signal, 0.5, 12.0, 2.0).0;
        assert!((far[2] - (0.01 + signal[2] + 0.01)).abs() < 1e-12);
    }

    #[test]
    fn variance_grows_with_the_mean_as_stated() {
        let rig = rig(Response::Linear);
        let mut draw = Draw::new(3, "photon transfer", 0);
        for level in [0.0, 0.1, 0.4] {
            let mean = LinearSignal([level + 0.01; 3]);
            let patch = rig.patch(mean, 0.0, 20_000, &mut draw);
            let found = (patch.sd[0] / 4095.0).powi(2);
            // Rounding to whole codes adds a twelfth of a code squared.
            let expected = rig.noise[0].variance(level) + 1.0 / 12.0 / 4095.0_f64.powi(2);
            assert!((found / expected - 1.0).abs() < 0.05, "{level}: {found}");
            assert!((patch.mean[0] / 4095.0 - level - 0.01).abs() < 2e-4);
        }
    }

    #[test]
    fn roughness_is_shared_by_the_channels_and_not_by_the_dark() {
        let rig = rig(Response::Linear);
        let mut draw = Draw::new(3, "rough", 0);
        let rough = rig.patch(LinearSignal([0.41; 3]), 0.2, 5_000, &mut draw);
        assert!(rough.sd[0] / 4095.0 > 0.07);
        let dark = rig.patch(LinearSignal([0.01; 3]), 0.2, 5_000, &mut draw);
        assert!(dark.sd[0] / 4095.0 < 0.001);
    }
}
