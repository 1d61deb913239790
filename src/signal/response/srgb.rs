//! IEC 61966-2-1:1999, the transfer function and primaries of sRGB (constants from memory,
//! compared with two independent implementations in `tests/published`).

/// Linear share of full scale of an encoded value, both 0 to 1 (clause 5.2).
///
/// ```
/// use boneglow::signal::srgb;
/// assert_eq!(srgb::decode(1.0), 1.0);
/// assert!((srgb::decode(0.5) - 0.214041).abs() < 1e-6);
/// ```
pub fn decode(encoded: f64) -> f64 {
    if encoded <= 0.04045 {
        encoded / 12.92
    } else {
        ((encoded + 0.055) / 1.055).powf(2.4)
    }
}

/// Encoded value of a linear share of full scale, both 0 to 1 (clause 5.3).
pub fn encode(linear: f64) -> f64 {
    if linear <= 0.0031308 {
        linear * 12.92
    } else {
        1.055 * linear.powf(1.0 / 2.4) - 0.055
    }
}

/// Linear sRGB to CIE 1931 XYZ with Y = 1 at full scale, as the standard rounds it.
pub const TO_XYZ: [[f64; 3]; 3] = [
    [0.4124, 0.3576, 0.1805],
    [0.2126, 0.7152, 0.0722],
    [0.0193, 0.1192, 0.9505],
];

/// Tristimulus values of its white, D65: the row sums of [`TO_XYZ`].
pub const WHITE_XYZ: [f64; 3] = [0.9505, 1.0, 1.0890];
