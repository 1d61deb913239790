//! Figures, the methods text and the one-page report.

mod drawing;
pub mod figures;
