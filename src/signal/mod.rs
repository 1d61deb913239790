//! From code values to linear signal: response curves, pictures, boxes, readings.
//!
//! In: pictures or measured code values. Out: a [`Reading`], the linear signal of one patch.
//! Transfer functions are those of IEC 61966-2-1 and ITU-R BT.709, or measured from a step series
//! after the idea of the opto-electronic conversion function in ISO 14524.

mod oddities;
mod picture;
mod reading;
mod response;
mod row;
mod values;

pub use oddities::{check_scale, listed, long_exposures, odd_heights, odd_units, other_exposures};
pub use picture::{Picture, PictureCache, Region};
pub use reading::{Capture, Column, MOST_CLIPPED, Reading, TOLD_CLIPPED};
pub(crate) use response::clipped_step;
pub use response::{MeasuredCurve, MeasuredResponse, Response, Step, bt709, srgb};
pub use row::{read_capture, read_reading, read_region};
pub use values::{BitDepth, CodeValues, LinearSignal};
