//! From spectra to tristimulus values, chromaticity and color differences.
