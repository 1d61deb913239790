//! The reference: what the targets emit, as spectra or as chromaticities.

use crate::colorimetry::{Chromaticity, Observer, Weights, Xy};
use crate::files::Table;
use crate::season::{ChromaticityKind, Plan, Season};
use crate::spectra::{Filter, Spectrum, VISIBLE_NM, spectra_from_table_within};
use crate::{Error, Result};

/// What one target emits.
#[derive(Debug, Clone, PartialEq)]
pub struct ReferenceTarget {
    /// Its name.
    pub name: String,
    /// The line of the table; 1 for a column of spectra.
    pub line: u64,
    /// u', v' of the kind that the calibration claims.
    pub uv: [f64; 2],
    /// Luminance in any unit, where stated.
    pub luminance: Option<f64>,
    /// The emission, where the reference are spectra.
    pub spectrum: Option<Spectrum>,
}

/// The reference of all targets.
#[derive(Debug, Clone, PartialEq)]
pub struct Reference {
    /// The targets in the order of the table.
    pub targets: Vec<ReferenceTarget>,
    /// The chromaticity that is claimed.
    pub chromaticity: ChromaticityKind,
    /// The filter before the lens: its curve, or a step at the cut-on.
    pub filter: Filter,
}

/// Rows of one target further apart than this in u'v' are of different targets.
const SAME_UV: f64 = 0.002;
/// Below this share of its light, of what passes where the filter is clearest, a target does not pass it.
const PASSING: f64 = 1e-3;

impl Reference {
    /// Reads the season's reference table: spectra (wide, `wavelength_nm` first) or chromaticities
    /// (`target,x,y` with optional `Y`); the header tells which.
    ///
    /// # Errors
    /// What the spectra module refuses; x, y that no light has; a target that stands twice with
    /// different values; `through-filter` with chromaticities, which cannot be filtered; a target
    /// whose light the filter stops.
    pub fn read(season: &Season) -> Result<Self> {
        let plan = &season.plan;
        let path = plan.calibration.reference.as_ref().ok_or_else(|| {
            Error::input("this key is missing")
                .at(season.file())
                .key("calibration.reference")
        })?;
        let table =
            Table::read(&season.resolve(path)).map_err(|e| e.named_by("calibration.reference"))?;
        if table.is_empty() {
            return Err(Error::too_little("the table holds no target yet")
                .at(table.path())
                .remedy(
                    "fill in the known emission of your reference targets; for footage without targets set \
                     calibration.assume = \"srgb\" instead of reference and captures",
                ));
        }
        let filter = match &plan.rig.filter {
            Some(path) => {
                Filter::read(&season.resolve(path)).map_err(|e| e.named_by("rig.filter"))?
            }
            None => Filter::long_pass(plan.rig.filter_cut_on_nm),
        };
        if table.has("wavelength_nm") {
            Self::of_spectra(&table, filter, plan)
        } else if table.has("target") {
            Self::of_chromaticities(&table, filter, plan)
        } else {
            Err(Error::input(format!(
                "found the columns {}, expected wavelength_nm and one a target, or target, x, y",
                table.header().join(", ")
            ))
            .at(table.path())
            .line(1)
            .remedy("correct the header"))
        }
    }

    fn of_spectra(table: &Table, filter: Filter, plan: &Plan) -> Result<Self> {
        let chromaticity = plan
            .calibration
            .chromaticity
            .unwrap_or(ChromaticityKind::ThroughFilter);
        let through = chromaticity == ChromaticityKind::ThroughFilter;
        let begin = if through {
            // What the filter stops need not be known.
            (VISIBLE_NM.0 as usize..=VISIBLE_NM.1 as usize)
                .map(|nm| nm as f64)
                .find(|nm| filter.transmission(*nm) > PASSING * filter.peak())
                .unwrap_or(VISIBLE_NM.0)
        } else {
            VISIBLE_NM.0
        };
        let spectra = spectra_from_table_within(table, (begin, VISIBLE_NM.1))?;
        let grid = spectra[0].spectrum.wavelengths();
        let seen = Weights::through(Observer::Cie1931, &filter, grid);
        let whole = Weights::new(Observer::Cie1931, grid);
        let mut targets = Vec::with_capacity(spectra.len());
        for found in spectra {
            let all = whole.xyz(found.spectrum.values())?;
            let passed = seen.xyz(found.spectrum.values())?;
            let xyz = if through { passed } else { all };
            let uv = xyz
                .uv()
                .filter(|_| passed.y > PASSING * filter.peak() * all.y);
            let uv = uv.ok_or_else(|| {
                Error::input("the filter stops the light of this target")
                    .at(table.path())
                    .column(&found.name)
                    .remedy("take the target out of the reference and of the captures")
            })?;
            targets.push(ReferenceTarget {
                name: found.name,
                line: 1,
                uv: [uv.u, uv.v],
                luminance: None,
                spectrum: Some(found.spectrum),
            });
        }
        Ok(Reference {
            targets,
            chromaticity,
            filter,
        })
    }

    fn of_chromaticities(table: &Table, filter: Filter, plan: &Plan) -> Result<Self> {
        if plan.calibration.chromaticity == Some(ChromaticityKind::ThroughFilter) {
            return Err(Error::input(
                "the reference are x, y of the whole emission, which cannot be filtered afterwards",
            )
            .at(table.path())
            .key("calibration.chromaticity")
            .remedy(
                "remove the key: \"emission\" is the default where the reference are x, y; or give the targets' spectra",
            ));
        }
        table.require(&["target", "x", "y"])?;
        let mut targets: Vec<ReferenceTarget> = Vec::new();
        for row in table.rows() {
            let name = row.text("target")?.to_string();
            let cell = |column: &str| {
                row.optional_number_in(column, 0.0..=1.0, "")?
                    .ok_or_else(|| row.error(column, "the cell is empty, expected a number"))
            };
            let (x, y) = (cell("x")?, cell("y")?);
            let uv: Option<Chromaticity> = Xy { x, y }.uv().filter(|_| y > 0.0 && x + y <= 1.0);
            let uv = uv.ok_or_else(|| {
                row.error("x", format!("found x {x}, y {y}: no light has them"))
                    .remedy("give CIE 1931 x and y, each from 0 to 1, their sum at most 1")
            })?;
            let luminance = row.optional_number_in("Y", 1e-12..=1e12, "")?;
            if let Some(first) = targets.iter().find(|t| t.name == name) {
                let apart = Chromaticity::new(first.uv[0], first.uv[1]).distance(uv);
                if apart > SAME_UV {
                    return Err(row
                        .error(
                            "target",
                            format!(
                                "\"{name}\" already stands in line {}, {apart:.4} away in u'v'",
                                first.line
                            ),
                        )
                        .remedy("keep the right one, or give the two different names"));
                }
                continue;
            }
            targets.push(ReferenceTarget {
                name,
                line: row.line(),
                uv: [uv.u, uv.v],
                luminance,
                spectrum: None,
            });
        }
        Ok(Reference {
            targets,
            chromaticity: ChromaticityKind::Emission,
            filter,
        })
    }
}
