//! The standard colorimetric observers (ISO/CIE 11664-1).

use std::sync::OnceLock;

/// First and last wavelength of the tables in nm.
pub(super) const FIRST_NM: usize = 360;
const LAST_NM: usize = 830;

/// A standard colorimetric observer.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Observer {
    /// CIE 1931, fields of 1 to 4 degrees.
    #[default]
    Cie1931,
    /// CIE 1964, fields above 4 degrees.
    Cie1964,
}

impl Observer {
    /// The color-matching functions at 1 nm, from 360 to 830 nm.
    pub(super) fn table(self) -> &'static [[f64; 3]] {
        static TABLES: [OnceLock<Vec<[f64; 3]>>; 2] = [OnceLock::new(), OnceLock::new()];
        let (slot, text) = match self {
            Observer::Cie1931 => (0, include_str!("data/cie1931_2deg_1nm.csv")),
            Observer::Cie1964 => (1, include_str!("data/cie1964_10deg_1nm.csv")),
        };
        TABLES[slot].get_or_init(|| parse(text))
    }

    /// The color-matching functions at a wavelength in nm: linear between the 1 nm values, zero
    /// outside 360 to 830 nm.
    ///
    /// ```
    /// use boneglow::colorimetry::Observer;
    /// assert_eq!(Observer::Cie1931.at(555.0)[1], 1.0);
    /// assert_eq!(Observer::Cie1931.at(900.0), [0.0; 3]);
    /// ```
    pub fn at(self, nm: f64) -> [f64; 3] {
        if !(FIRST_NM as f64..=LAST_NM as f64).contains(&nm) {
            return [0.0; 3];
        }
        let table = self.table();
        let left = nm.floor() as usize - FIRST_NM;
        let right = (left + 1).min(table.len() - 1);
        let share = nm.fract();
        std::array::from_fn(|c| table[left][c] * (1.0 - share) + table[right][c] * share)
    }

    /// The functions as CIE 015 prints them at 5 nm: six decimals, 380 to 780 nm, zero elsewhere.
    pub(super) fn five_nanometer_value(self, nm: usize) -> [f64; 3] {
        if !(380..=780).contains(&nm) {
            return [0.0; 3];
        }
        self.table()[nm - FIRST_NM].map(|v| (v * 1e6).round() / 1e6)
    }
}

fn parse(text: &str) -> Vec<[f64; 3]> {
    let rows: Vec<[f64; 3]> = text
        .lines()
        .skip(1)
        .map(|line| {
            let mut cells = line.split(',').skip(1);
            std::array::from_fn(|_| {
                let cell = cells.next().and_then(|c| c.trim().parse().ok());
                cell.expect("the embedded table has three numbers in every row")
            })
        })
        .collect();
    assert_eq!(rows.len(), LAST_NM - FIRST_NM + 1);
    rows
}
