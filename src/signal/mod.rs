//! From code values to linear signal: response curves, pictures, boxes, readings.
//!
//! In: pictures or measured code values. Out: a [`Reading`], the linear signal of one patch.

mod reading;

pub use reading::{Capture, Reading};
