//! From code values to color, a row at a time, in single precision.
//!
//! In: code values and the rig's [`PixelTransform`]. Out: u', v', log10 luminance and luminance of
//! each pixel. Only additions, multiplications, divisions and square roots in a fixed order, so that
//! every processor gives the same bits.
//!
//! Limits: a pixel's color differs from that in double precision by rounding, below 1e-5 in u'v'
//! and log10 luminance where the signal is above a thousandth of full scale.

use super::Samples;
use crate::calibration::{Exposure, MappingKind, PixelTransform, Rig};
use crate::signal::Capture;

/// Colors of one row of pixels; a pixel without a hue or too faint is not `bright`.
#[derive(Debug, Clone, Default)]
pub(super) struct ColorRow {
    pub u: Vec<f32>,
    pub v: Vec<f32>,
    /// Luminance relative to the luminance target.
    pub luminance: Vec<f32>,
    /// Its log10.
    pub log: Vec<f32>,
    pub bright: Vec<bool>,
    signal: [Vec<f32>; 3],
}

/// A rig's transform of pixels, for rows of any height.
#[derive(Debug, Clone)]
pub(super) struct PixelColors {
    /// Linear signal of every code, channel by channel (one table where all are alike).
    tables: Vec<Vec<f32>>,
    black: [f64; 3],
    /// At the reference height.
    base: PixelTransform,
    /// log10 luminance that the thresholds ask for.
    min_log: f64,
    law: crate::season::IrradianceLaw,
    reference_m: f64,
    /// Light at each column relative to the mean; empty where no flat was captured.
    across: Vec<f32>,
}

/// What turns the linear signal of one row into color.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct RowTransform {
    offset: [f32; 3],
    scale: f32,
    faintest: f32,
}

impl PixelColors {
    pub fn new(rig: &Rig, exposure: Exposure, min_log_luminance: Option<f64>) -> Self {
        let capture = Capture {
            exposure_s: exposure.exposure_s,
            gain_db: exposure.gain_db,
            ..Capture::default()
        };
        let base = rig.pixel_transform(None, &capture);
        let single = |t: &Vec<f64>| t.iter().map(|v| *v as f32).collect();
        let [r, g, b] = &base.table;
        let tables = if r == g && g == b {
            vec![single(r)]
        } else {
            base.table.iter().map(single).collect()
        };
        PixelColors {
            tables,
            black: rig.black.signal,
            min_log: min_log_luminance.unwrap_or(f64::NEG_INFINITY),
            law: rig.luminance.irradiance,
            reference_m: rig.luminance.height_m,
            across: rig.flat.as_ref().map_or_else(Vec::new, |flat| {
                (0..flat.width)
                    .map(|x| flat.at(x as f64 + 0.5) as f32)
                    .collect()
            }),
            base,
        }
    }

    /// Number of code values.
    pub fn codes(&self) -> usize {
        self.tables[0].len()
    }

    /// The transform of a row recorded at a height, as [`Rig::pixel_transform`] gives it: leak and
    /// signal fall with irradiance, luminance does not, so that the faintest luminance rises.
    pub fn at_height(&self, height_m: Option<f64>) -> RowTransform {
        let irradiance = height_m.map_or(1.0, |h| self.law.relative(h, self.reference_m));
        let limit = self.base.min_luminance.unwrap_or(f64::NEG_INFINITY) - irradiance.log10();
        let black = self.black;
        let leak = |c: usize| (self.base.offset[c] - black[c]) * irradiance;
        RowTransform {
            offset: std::array::from_fn(|c| (black[c] + leak(c)) as f32),
            scale: (self.base.luminance_scale / irradiance) as f32,
            faintest: (10_f64.powf(limit.max(self.min_log)) as f32).max(f32::MIN_POSITIVE),
        }
    }

    fn table(&self, channel: usize) -> &[f32] {
        &self.tables[channel.min(self.tables.len() - 1)]
    }

    /// Splits pixels into channels of linear signal; codes beyond the table count as its last.
    fn linearize<T: Copy + Into<usize>>(&self, pixels: &[T], signal: &mut [Vec<f32>; 3]) {
        let [r, g, b] = signal;
        let [rt, gt, bt] = [0, 1, 2].map(|c| self.table(c));
        let last = self.codes() - 1;
        for (((pixel, r), g), b) in pixels.chunks_exact(3).zip(r).zip(g).zip(b) {
            *r = rt[pixel[0].into().min(last)];
            *g = gt[pixel[1].into().min(last)];
            *b = bt[pixel[2].into().min(last)];
        }
    }

    /// Whether flats were captured that are of no use for strips of this width.
    pub fn flat_of_other_width(&self, width: usize) -> Option<usize> {
        let known = self.across.len();
        (known != 0 && known != width).then_some(known)
    }

    /// Brings the light at every column to the mean.
    fn level(&self, signal: &mut [Vec<f32>; 3]) {
        for (values, black) in signal.iter_mut().zip(self.black) {
            let black = black as f32;
            for (value, light) in values.iter_mut().zip(&self.across) {
                *value = black + (*value - black) / light;
            }
        }
    }

    /// Computes the colors of row `row` (of `width` pixels) of a block.
    pub fn compute(
        &self,
        samples: &Samples,
        row: usize,
        width: usize,
        transform: &RowTransform,
        to: &mut ColorRow,
    ) {
        for values in to.signal.iter_mut() {
            values.resize(width, 0.0);
        }
        for values in [&mut to.u, &mut to.v, &mut to.luminance, &mut to.log] {
            values.resize(width, 0.0);
        }
        to.bright.resize(width, false);
        let range = 3 * width * row..3 * width * (row + 1);
        match samples {
            Samples::Eight(codes) => self.linearize(&codes[range], &mut to.signal),
            Samples::Sixteen(codes) => self.linearize(&codes[range], &mut to.signal),
        }
        let leveled = self.across.len() == width;
        if leveled {
            self.level(&mut to.signal);
        }
        let mapping = &self.base.mapping;
        let rows = &mapping.coefficients;
        match mapping.kind {
            MappingKind::Matrix => {
                let m: [[f32; 3]; 3] =
                    std::array::from_fn(|i| std::array::from_fn(|j| rows[i][j] as f32));
                fast_colors(to, transform, |r, g, b| {
                    [0, 1, 2].map(|i| m[i][0] * r + m[i][1] * g + m[i][2] * b)
                });
            }
            MappingKind::RootPolynomial => {
                let m: [[f32; 6]; 3] =
                    std::array::from_fn(|i| std::array::from_fn(|j| rows[i][j] as f32));
                fast_colors(to, transform, |r, g, b| {
                    let (p, q, s) = (r.max(0.0), g.max(0.0), b.max(0.0));
                    let (rg, gb, br) = ((p * q).sqrt(), (q * s).sqrt(), (s * p).sqrt());
                    [0, 1, 2].map(|i| {
                        let m = &m[i];
                        m[0] * r + m[1] * g + m[2] * b + m[3] * rg + m[4] * gb + m[5] * br
                    })
                });
            }
        }
        if leveled {
            // Where there is less light, the faintest glow that can be told is brighter.
            let places = to.bright.iter_mut().zip(&to.luminance).zip(&self.across);
            for ((bright, luminance), light) in places {
                *bright = luminance * light.min(1.0) >= transform.faintest;
            }
        }
    }
}

fn fast_colors(
    to: &mut ColorRow,
    transform: &RowTransform,
    xyz: impl Fn(f32, f32, f32) -> [f32; 3],
) {
    #[cfg(target_arch = "x86_64")]
    if std::arch::is_x86_feature_detected!("avx2") {
        #[target_feature(enable = "avx2")]
        fn wide(
            to: &mut ColorRow,
            transform: &RowTransform,
            xyz: impl Fn(f32, f32, f32) -> [f32; 3],
        ) {
            colors(to, transform, xyz);
        }
        // SAFETY: the processor has what `wide` needs; it does the same operations, eight at once.
        #[allow(unsafe_code)]
        unsafe {
            wide(to, transform, xyz);
        }
        return;
    }
    colors(to, transform, xyz);
}

/// Pixels that are worked on together, in arrays of their own: what may overlap is not vectorized.
pub(super) const LANES: usize = 128;

#[inline(always)]
fn colors(to: &mut ColorRow, transform: &RowTransform, xyz: impl Fn(f32, f32, f32) -> [f32; 3]) {
    let RowTransform {
        offset,
        scale,
        faintest,
    } = *transform;
    let mut signal = [[0.0_f32; LANES]; 3];
    let [mut u, mut v, mut luminance, mut log] = [[0.0_f32; LANES]; 4];
    let mut bright = [false; LANES];
    for start in (0..to.u.len()).step_by(LANES) {
        let end = (start + LANES).min(to.u.len());
        let count = end - start;
        for (lanes, all) in signal.iter_mut().zip(&to.signal) {
            lanes[..count].copy_from_slice(&all[start..end]);
        }
        for i in 0..LANES {
            let [r, g, b] = [0, 1, 2].map(|c| signal[c][i] - offset[c]);
            let [x, y, z] = xyz(r, g, b);
            let sum = x + 15.0 * y + 3.0 * z;
            u[i] = 4.0 * x / sum;
            v[i] = 9.0 * y / sum;
            // What the rig's transform calls no hue has no luminance here.
            let hue = (sum > 0.0) & (u[i] >= -0.05) & (u[i] < 0.68) & (v[i] >= 0.0) & (v[i] < 0.65);
            luminance[i] = if hue { y * scale } else { 0.0 };
        }
        for i in 0..LANES {
            bright[i] = luminance[i] >= faintest;
            log[i] = log10(luminance[i]);
        }
        to.u[start..end].copy_from_slice(&u[..count]);
        to.v[start..end].copy_from_slice(&v[..count]);
        to.luminance[start..end].copy_from_slice(&luminance[..count]);
        to.log[start..end].copy_from_slice(&log[..count]);
        to.bright[start..end].copy_from_slice(&bright[..count]);
    }
}

/// The common logarithm of a normal number above 0, within 3e-7 of it; of others any number.
#[inline(always)]
pub(super) fn log10(value: f32) -> f32 {
    // value = m 2^e with m in [sqrt(1/2), sqrt(2)); ln m by the series of atanh.
    let bits = value.to_bits().wrapping_sub(0x3f35_04f3) as i32;
    let exponent = (bits >> 23) as f32;
    let m = f32::from_bits(((bits & 0x007f_ffff) + 0x3f35_04f3) as u32);
    let s = (m - 1.0) / (m + 1.0);
    let s2 = s * s;
    let series = 2.0 + s2 * (2.0 / 3.0 + s2 * (2.0 / 5.0 + s2 * (2.0 / 7.0 + s2 * (2.0 / 9.0))));
    exponent * std::f32::consts::LOG10_2 + s * series * std::f32::consts::LOG10_E
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::strip::tests::rig;

    #[test]
    fn the_logarithm_is_that_of_the_library_over_the_whole_range() {
        for i in 0..200_000 {
            let value = 10_f64.powf(-30.0 + 60.0 * f64::from(i) / 200_000.0) as f32;
            let expected = f64::from(value).log10();
            let error = (f64::from(log10(value)) - expected).abs();
            assert!(error < 3e-7 * expected.abs().max(1.0), "{value}: {error:e}");
        }
    }

    #[test]
    fn columns_with_less_light_are_brought_to_the_mean_and_keep_their_color() {
        let mut rig = rig();
        rig.black.signal = [0.001, 0.002, 0.0015];
        rig.leak.signal = [0.004, 0.001, 0.02];
        rig.leak.ground_share = 0.35;
        rig.flat = Some(crate::calibration::Flat {
            width: 1000,
            profile: vec![0.6, 1.4, 1.0],
        });
        let codes: Vec<u8> = (0..3000_u32).map(|i| (i * 7919 % 251) as u8).collect();
        let samples = Samples::Eight(codes.clone());
        let colors = PixelColors::new(&rig, Exposure::default(), None);
        assert_eq!(colors.flat_of_other_width(1000), None);
        assert_eq!(colors.flat_of_other_width(640), Some(1000));
        let mut row = ColorRow::default();
        colors.compute(&samples, 0, 1000, &colors.at_height(None), &mut row);
        let mut compared = 0;
        for (x, pixel) in codes.chunks_exact(3).enumerate() {
            let capture = Capture {
                column: Some(crate::signal::Column {
                    center: x as f64 + 0.5,
                    width: 1000,
                }),
                ..Capture::default()
            };
            let exact = rig.pixel_transform(None, &capture);
            let codes = [pixel[0], pixel[1], pixel[2]].map(u16::from);
            let Some([u, v, log]) = exact.color_of_codes(codes).filter(|_| row.bright[x]) else {
                continue;
            };
            assert!((f64::from(row.u[x]) - u).abs() < 1e-4, "{x}");
            assert!((f64::from(row.v[x]) - v).abs() < 1e-4, "{x}");
            assert!((f64::from(row.log[x]) - log).abs() < 1e-4, "{x}");
            compared += 1;
        }
        assert!(compared > 300, "{compared}");
    }

    #[test]
    fn every_pixel_has_the_color_that_the_rig_gives_it_at_its_height() {
        let mut rig = rig();
        rig.black.signal = [0.001, 0.002, 0.0015];
        rig.leak.signal = [0.004, 0.001, 0.02];
        rig.leak.ground_share = 0.35;
        rig.detection.detection_limit = Some(-2.5);
        let roots = crate::calibration::Mapping {
            kind: MappingKind::RootPolynomial,
            coefficients: [
                vec![0.4, 0.3, 0.2, 0.05, -0.02, 0.01],
                vec![0.2, 0.7, 0.05, 0.02, 0.03, -0.01],
                vec![0.02, 0.1, 0.9, 0.01, 0.02, 0.03],
            ],
            channels: [true; 3],
        };
        let codes: Vec<u8> = (0..3000_u32).map(|i| (i * 7919 % 251) as u8).collect();
        let samples = Samples::Eight(codes.clone());
        for (kind, height) in [(false, None), (false, Some(9.0)), (true, Some(4.5))] {
            if kind {
                rig.mapping = roots.clone();
            }
            let exact = rig.pixel_transform(height, &Capture::default());
            let colors = PixelColors::new(&rig, Exposure::default(), None);
            let mut row = ColorRow::default();
            colors.compute(&samples, 0, 1000, &colors.at_height(height), &mut row);
            let mut bright = 0;
            for (i, pixel) in codes.chunks_exact(3).enumerate() {
                let expected = exact.color_of_codes([pixel[0], pixel[1], pixel[2]].map(u16::from));
                let limit = exact.min_luminance.unwrap();
                let expected = expected.filter(|c| c[2] >= limit);
                assert_eq!(row.bright[i], expected.is_some(), "{pixel:?}");
                if let Some([u, v, log]) = expected {
                    bright += 1;
                    assert!((f64::from(row.u[i]) - u).abs() < 1e-5, "{pixel:?}");
                    assert!((f64::from(row.v[i]) - v).abs() < 1e-5, "{pixel:?}");
                    assert!((f64::from(row.log[i]) - log).abs() < 1e-5, "{pixel:?}");
                }
            }
            assert!(bright > 500, "{bright} of 1000");
        }
        rig.detection.without_color = vec!["lime".to_string()];
        let colors = PixelColors::new(&rig, Exposure::default(), None);
        let mut row = ColorRow::default();
        colors.compute(&samples, 0, 1000, &colors.at_height(None), &mut row);
        assert!(!row.bright.contains(&true));
    }
}
