//! Spectra on a wavelength axis: reading, checking, resampling.
