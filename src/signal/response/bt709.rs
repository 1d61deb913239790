//! Recommendation ITU-R BT.709-6, item 1.2, the overall opto-electronic transfer characteristic
//! (constants from memory, compared with an independent implementation in `tests/published`).

/// Linear share of full scale of an encoded value, both 0 to 1.
///
/// The recommendation's rounded constants leave a step from 0.081 to 0.0812 at its break; codes in
/// the gap decode to the break itself, so that the curve stays monotone.
///
/// ```
/// use boneglow::signal::bt709;
/// assert!((bt709::decode(0.045) - 0.01).abs() < 1e-12);
/// assert!((bt709::decode(0.5) - 0.259589).abs() < 1e-6);
/// ```
pub fn decode(encoded: f64) -> f64 {
    if encoded < encode(0.018) {
        (encoded / 4.5).min(0.018)
    } else {
        ((encoded + 0.099) / 1.099).powf(1.0 / 0.45)
    }
}

/// Encoded value of a linear share of full scale, both 0 to 1.
pub fn encode(linear: f64) -> f64 {
    if linear < 0.018 {
        4.5 * linear
    } else {
        1.099 * linear.powf(0.45) - 0.099
    }
}
