//! The linear signal of one patch and the settings under which it was recorded.

/// The settings under which something was recorded; absent where nobody wrote them down.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Capture {
    /// Exposure time in s.
    pub exposure_s: Option<f64>,
    /// Gain in dB.
    pub gain_db: Option<f64>,
    /// Height of the camera and laser above the surface in m.
    pub height_m: Option<f64>,
}

/// What the camera recorded of one small area of one material.
#[derive(Debug, Clone, PartialEq)]
pub struct Reading {
    /// Mean code value of each channel, 0 to the largest code.
    pub code: [f64; 3],
    /// Mean linear signal of each channel as a share of full scale, dark level not yet removed.
    ///
    /// The mean of the linear pixels, which for a textured patch is not the linear value of the
    /// mean code.
    pub signal: [f64; 3],
    /// Standard deviation of the linear pixels (not of their mean), where known.
    pub pixel_sd: Option<[f64; 3]>,
    /// Number of pixels, where known.
    pub pixels: Option<u64>,
    /// Share of pixels with a channel at the top of the code range, 0 to 1.
    pub clipped: f64,
    /// Settings of the recording.
    pub capture: Capture,
}
