//! Code values and linear signal as distinct types.

use crate::{Error, Result};
use serde::{Deserialize, Serialize};

/// Code values of the three channels (red, green, blue), 0 to the largest code, as a picture
/// stores them; means over pixels need not be whole.
///
/// They are not proportional to light; only [`Response`](super::Response) makes a
/// [`LinearSignal`] of them, and one does not stand for the other:
///
/// ```compile_fail
/// use boneglow::signal::{CodeValues, LinearSignal};
/// let codes = CodeValues([120.0, 90.0, 12.0]);
/// let signal: LinearSignal = codes;
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(transparent)]
pub struct CodeValues(pub [f64; 3]);

/// Linear signal of the three channels (red, green, blue), proportional to light, as a share of
/// what full scale stands for; the dark level is not removed unless said.
///
/// ```compile_fail
/// use boneglow::signal::CodeValues;
/// fn needs_linear(_: boneglow::signal::LinearSignal) {}
/// needs_linear(CodeValues([120.0, 90.0, 12.0]));
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(transparent)]
pub struct LinearSignal(pub [f64; 3]);

/// Bits per channel of the code values, 8 to 16.
///
/// ```
/// use boneglow::signal::BitDepth;
/// assert_eq!(BitDepth::new(8)?.largest(), 255.0);
/// assert_eq!(BitDepth::new(12)?.largest(), 4095.0);
/// assert!(BitDepth::new(7).is_err());
/// # Ok::<(), boneglow::Error>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(try_from = "u32", into = "u32")]
pub struct BitDepth(u32);

impl BitDepth {
    /// 8 bits per channel.
    pub const EIGHT: BitDepth = BitDepth(8);
    /// 16 bits per channel.
    pub const SIXTEEN: BitDepth = BitDepth(16);

    /// A depth of 8 to 16 bits; anything else is an error.
    pub fn new(bits: u32) -> Result<Self> {
        if (8..=16).contains(&bits) {
            Ok(BitDepth(bits))
        } else {
            Err(
                Error::input(format!("found {bits} bits per channel, expected 8 to 16"))
                    .key("rig.bit_depth")
                    .remedy("state the depth of the stored code values"),
            )
        }
    }

    /// The number of bits.
    pub fn bits(self) -> u32 {
        self.0
    }

    /// The largest code.
    pub fn largest(self) -> f64 {
        f64::from((1_u32 << self.0) - 1)
    }

    /// The number of codes.
    pub fn codes(self) -> usize {
        1 << self.0
    }
}

impl TryFrom<u32> for BitDepth {
    type Error = Error;

    fn try_from(bits: u32) -> Result<Self> {
        BitDepth::new(bits)
    }
}

impl From<BitDepth> for u32 {
    fn from(depth: BitDepth) -> u32 {
        depth.0
    }
}
