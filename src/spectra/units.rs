//! Wavelength, wavenumber and photon energy.

/// Planck's constant times the speed of light in eV nm (SI, exact constants, rounded to 1e-6).
pub const HC_EV_NM: f64 = 1_239.841_984;

/// Wavelength in nm of a wavenumber in cm^-1, and the reverse; above 0.
///
/// ```
/// use boneglow::spectra::units::nm_from_wavenumber;
/// assert_eq!(nm_from_wavenumber(20_000.0), 500.0);
/// ```
pub fn nm_from_wavenumber(per_cm: f64) -> f64 {
    1e7 / per_cm
}

/// Energy in eV of a photon of a wavelength in nm, above 0.
///
/// ```
/// use boneglow::spectra::units::photon_energy_ev;
/// assert!((photon_energy_ev(620.0) - 1.999745).abs() < 1e-6);
/// ```
pub fn photon_energy_ev(nm: f64) -> f64 {
    HC_EV_NM / nm
}

/// Stokes shift in cm^-1 from an excitation to an emission wavelength, both in nm.
///
/// ```
/// use boneglow::spectra::units::stokes_shift_per_cm;
/// assert!((stokes_shift_per_cm(400.0, 500.0) - 5000.0).abs() < 1e-9);
/// ```
pub fn stokes_shift_per_cm(excitation_nm: f64, emission_nm: f64) -> f64 {
    1e7 / excitation_nm - 1e7 / emission_nm
}
