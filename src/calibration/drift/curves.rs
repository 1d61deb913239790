//! What a filter whose edge moved does to each target's signals, from the camera's curves.

use crate::Result;
use crate::calibration::Reference;
use crate::season::Season;
use crate::spectra::{Filter, Sensitivities, Spectrum};

/// Emission, filter and sensitivities of the calibration.
pub(super) struct Curves {
    spectra: Vec<(String, Spectrum)>,
    filter: Filter,
    camera: Sensitivities,
}

/// Farthest that an edge is looked for.
const FARTHEST_NM: f64 = 20.0;

impl Curves {
    /// The season's; `None` where it names no sensitivities or the reference are no spectra.
    ///
    /// # Errors
    /// Whatever is wrong with these tables.
    pub fn read(season: &Season) -> Result<Option<Self>> {
        let Some(path) = &season.plan.rig.sensitivities else {
            return Ok(None);
        };
        let reference = Reference::read(season)?;
        let spectra: Option<Vec<(String, Spectrum)>> = reference
            .targets
            .into_iter()
            .map(|t| Some((t.name, t.spectrum?)))
            .collect();
        let camera = Sensitivities::read(&season.resolve(path))?;
        Ok(spectra.map(|spectra| Curves {
            spectra,
            filter: reference.filter,
            camera,
        }))
    }

    /// The shifts in nm among which an edge is looked for.
    pub fn shifts_nm(&self) -> (f64, f64) {
        (-FARTHEST_NM, FARTHEST_NM)
    }

    /// Factors on the channels of each of the named targets if the filter's edge is `nm` farther to
    /// the red; 1 for one that is not known.
    pub fn factors(&self, targets: &[&str], nm: f64) -> Vec<[f64; 3]> {
        let moved = self.filter.shifted(nm);
        targets
            .iter()
            .map(|name| {
                let Some((_, spectrum)) = self.spectra.iter().find(|(n, _)| n == name) else {
                    return [1.0; 3];
                };
                let then = self.camera.response(&self.filter, spectrum);
                let now = self.camera.response(&moved, spectrum);
                std::array::from_fn(|c| match then[c] > 0.0 {
                    true => now[c] / then[c],
                    false => 1.0,
                })
            })
            .collect()
    }
}
