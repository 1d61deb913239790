//! From code values to color, a row at a time, in single precision.
//!
//! In: code values and a [`RowTransform`]. Out: u', v', log10 luminance and luminance of each
//! pixel. Only additions, multiplications and divisions in a fixed order, so that every processor
//! gives the same bits; a pixel's color differs from the one in double precision by less than 2e-6
//! in u'v' and 1e-6 in log luminance where the signal is above a thousandth of full scale.

use super::Samples;

/// How linear signal becomes tristimulus values.
#[derive(Debug, Clone, PartialEq)]
pub enum PixelMapping {
    /// XYZ = M (r, g, b).
    Matrix([[f64; 3]; 3]),
    /// XYZ = M (r, g, b, sqrt(r g), sqrt(g b), sqrt(r b)).
    RootPolynomial([[f64; 6]; 3]),
}

/// What turns the linear signal of one row into color.
#[derive(Debug, Clone, PartialEq)]
pub struct RowTransform {
    /// Dark level and leak of each channel, taken off the linear signal.
    pub offset: [f64; 3],
    /// From the remaining signal to tristimulus values.
    pub mapping: PixelMapping,
    /// Y times this is luminance relative to the luminance target at its height.
    pub luminance_scale: f64,
    /// Luminance below which a pixel is too faint.
    pub min_luminance: f64,
}

/// Colors of one row of pixels; a pixel without a hue or too faint has `bright` false.
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

/// Linear signal of every code value, channel by channel (one table where all are alike).
#[derive(Debug, Clone)]
pub(super) struct ResponseTables(Vec<Vec<f32>>);

impl ResponseTables {
    pub fn new(tables: &[Vec<f64>; 3]) -> Self {
        let single = |t: &Vec<f64>| t.iter().map(|v| *v as f32).collect();
        if tables[0] == tables[1] && tables[1] == tables[2] {
            ResponseTables(vec![single(&tables[0])])
        } else {
            ResponseTables(tables.iter().map(single).collect())
        }
    }

    /// Number of code values.
    pub fn codes(&self) -> usize {
        self.0[0].len()
    }

    fn channel(&self, channel: usize) -> &[f32] {
        &self.0[channel.min(self.0.len() - 1)]
    }

    /// Splits pixels into channels of linear signal; codes beyond the table count as its last.
    fn linearize<T: Copy + Into<usize>>(&self, pixels: &[T], signal: &mut [Vec<f32>; 3]) {
        let [r, g, b] = signal;
        let [rt, gt, bt] = [0, 1, 2].map(|c| self.channel(c));
        let last = self.codes() - 1;
        for (((pixel, r), g), b) in pixels.chunks_exact(3).zip(r).zip(g).zip(b) {
            *r = rt[pixel[0].into().min(last)];
            *g = gt[pixel[1].into().min(last)];
            *b = bt[pixel[2].into().min(last)];
        }
    }
}

impl ColorRow {
    /// Computes the colors of `row` (of `width` pixels) of a block.
    pub fn compute(
        &mut self,
        samples: &Samples,
        row: usize,
        width: usize,
        tables: &ResponseTables,
        transform: &RowTransform,
    ) {
        for channel in &mut self.signal {
            channel.resize(width, 0.0);
        }
        self.u.resize(width, 0.0);
        self.v.resize(width, 0.0);
        self.luminance.resize(width, 0.0);
        self.log.resize(width, 0.0);
        self.bright.resize(width, false);
        let range = 3 * width * row..3 * width * (row + 1);
        match samples {
            Samples::Eight(codes) => tables.linearize(&codes[range], &mut self.signal),
            Samples::Sixteen(codes) => tables.linearize(&codes[range], &mut self.signal),
        }
        let offset = transform.offset.map(|o| o as f32);
        for (channel, offset) in self.signal.iter_mut().zip(offset) {
            for value in channel.iter_mut() {
                *value -= offset;
            }
        }
        match &transform.mapping {
            PixelMapping::Matrix(m) => {
                let m = m.map(|row| row.map(|c| c as f32));
                self.colors(transform, |r, g, b| {
                    [0, 1, 2].map(|i| m[i][0] * r + m[i][1] * g + m[i][2] * b)
                });
            }
            PixelMapping::RootPolynomial(m) => {
                let m = m.map(|row| row.map(|c| c as f32));
                self.colors(transform, |r, g, b| {
                    let [r, g, b] = [r, g, b].map(|c| c.max(0.0));
                    let (rg, gb, rb) = ((r * g).sqrt(), (g * b).sqrt(), (r * b).sqrt());
                    [0, 1, 2].map(|i| {
                        let m = &m[i];
                        m[0] * r + m[1] * g + m[2] * b + m[3] * rg + m[4] * gb + m[5] * rb
                    })
                });
            }
        }
    }

    #[inline(always)]
    fn colors(&mut self, transform: &RowTransform, xyz: impl Fn(f32, f32, f32) -> [f32; 3]) {
        let scale = transform.luminance_scale as f32;
        let faintest = (transform.min_luminance as f32).max(f32::MIN_POSITIVE);
        let [r, g, b] = &self.signal;
        let signal = r.iter().zip(g).zip(b);
        let places = self.u.iter_mut().zip(&mut self.v).zip(&mut self.luminance);
        for (((r, g), b), ((u, v), y)) in signal.zip(places) {
            let [x1, y1, z1] = xyz(*r, *g, *b);
            let sum = x1 + 15.0 * y1 + 3.0 * z1;
            *u = 4.0 * x1 / sum;
            *v = 9.0 * y1 / sum;
            // Without a hue there is no luminance to speak of.
            *y = if sum > 0.0 { y1 * scale } else { 0.0 };
        }
        for ((y, log), bright) in self.luminance.iter().zip(&mut self.log).zip(&mut self.bright) {
            *bright = *y >= faintest;
            *log = log10(*y);
        }
    }
}

/// The common logarithm of a normal number above 0, within 3e-7; anything for other numbers.
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
    fn white_light_of_the_srgb_primaries_has_the_chromaticity_of_d65() {
        // Matrix and white of IEC 61966-2-1: u' = 0.1978, v' = 0.4683.
        let transform = RowTransform {
            offset: [0.01; 3],
            mapping: PixelMapping::Matrix([
                [0.4124, 0.3576, 0.1805],
                [0.2126, 0.7152, 0.0722],
                [0.0193, 0.1192, 0.9505],
            ]),
            luminance_scale: 2.0,
            min_luminance: 0.1,
        };
        let linear: Vec<f64> = (0..256).map(|c| f64::from(c) / 255.0).collect();
        let tables = ResponseTables::new(&[linear.clone(), linear.clone(), linear]);
        let samples = Samples::Eight(vec![128, 128, 128, 2, 2, 2, 10, 10, 10]);
        let mut row = ColorRow::default();
        row.compute(&samples, 0, 3, &tables, &transform);
        assert!((row.u[0] - 0.1978).abs() < 1e-4 && (row.v[0] - 0.4683).abs() < 1e-4);
        let luminance = 2.0 * (128.0 / 255.0 - 0.01);
        assert!((row.luminance[0] - luminance).abs() < 1e-5);
        assert_eq!(row.bright, [true, false, false]);
    }
}
