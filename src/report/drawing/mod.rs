//! What every figure is drawn with: a pen on a sheet, colors and shapes, axes, labels.
//!
//! Lengths are in px of a figure 700 px wide, to a tenth; x grows to the right and y downwards.

mod axis;
mod frame;
mod labels;
mod outline;
mod sheet;
mod style;

pub(crate) use axis::Axis;
pub(crate) use frame::{Frame, Place};
pub(crate) use labels::{Note, place_notes};
pub(crate) use outline::Outline;
pub use sheet::Figure;
pub(crate) use sheet::{At, Pen, Sheet, Stroke, Words, escaped, identifier, measured};
pub(crate) use style::{
    CHANNELS, FAINT, INK, Ink, Key, MUTED, PAPER, WIDTH, class_ink, legend, ramp, series_ink,
};
