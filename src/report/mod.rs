//! Figures, the methods text and the one-page report.
