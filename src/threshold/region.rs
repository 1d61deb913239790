//! Where in u'v' a glow is worth a walk: contours by marching squares.
//!
//! Lorensen and Cline (1987) in two dimensions, crossings by linear interpolation, saddles decided by
//! the mean of the four corners.

use crate::colorimetry::{Chromaticity, LocusOutline};
use std::collections::BTreeMap;

/// A rectangle of u'v' with its number of grid points along each side.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Window {
    /// Least and greatest u'.
    pub u: [f64; 2],
    /// Least and greatest v'.
    pub v: [f64; 2],
    /// Grid points along each side, 2 or more.
    pub points: usize,
}

impl Window {
    /// The grid's (u', v') row by row, v' slowest.
    pub fn grid(&self) -> Vec<[f64; 2]> {
        let at = |range: [f64; 2], i: usize| {
            range[0] + (range[1] - range[0]) * i as f64 / (self.points - 1) as f64
        };
        (0..self.points * self.points)
            .map(|i| [at(self.u, i % self.points), at(self.v, i / self.points)])
            .collect()
    }
}

/// Makes `values` (as [`Window::grid`]) negative beyond the spectral locus, where no light has its color.
pub(super) fn within_locus(window: &Window, values: &mut [f64]) {
    let outline = LocusOutline::from_nm(0.0);
    let step = (window.v[1] - window.v[0]) / (window.points - 1) as f64;
    for (value, [u, v]) in values.iter_mut().zip(window.grid()) {
        if *value > 0.0 {
            *value = value.min(outline.depth_uv(Chromaticity::new(u, v)) / step);
        }
    }
}

/// Polygons around the part of the window where `values` (as [`Window::grid`]) are above 0.
///
/// Each polygon ends at its first point. Outer boundaries run counterclockwise, holes clockwise. At the
/// window's edge the polygon closes along the edge (within half a grid step).
///
/// ```
/// use boneglow::threshold::{Window, contours};
/// let window = Window { u: [-1.0, 1.0], v: [-1.0, 1.0], points: 41 };
/// let disc: Vec<f64> = window.grid().iter().map(|[u, v]| 0.25 - u * u - v * v).collect();
/// let polygons = contours(&window, &disc);
/// assert_eq!(polygons.len(), 1);
/// assert!(polygons[0].iter().all(|[u, v]| (u.hypot(*v) - 0.5).abs() < 0.002));
/// assert_eq!(polygons[0].first(), polygons[0].last());
/// ```
pub fn contours(window: &Window, values: &[f64]) -> Vec<Vec<[f64; 2]>> {
    let n = window.points;
    if n < 2 || values.len() != n * n {
        return Vec::new();
    }
    // A frame of points outside, so that every contour closes.
    let wide = n + 2;
    let outside = -values.iter().fold(1e-9_f64, |most, v| most.max(v.abs()));
    let value = |x: usize, y: usize| -> f64 {
        match (1..=n).contains(&x) && (1..=n).contains(&y) {
            true => values[(y - 1) * n + x - 1],
            false => outside,
        }
    };
    let step = [
        (window.u[1] - window.u[0]) / (n - 1) as f64,
        (window.v[1] - window.v[0]) / (n - 1) as f64,
    ];
    let place = |x: f64, y: f64| {
        [
            (window.u[0] + (x - 1.0) * step[0]).clamp(window.u[0], window.u[1]),
            (window.v[0] + (y - 1.0) * step[1]).clamp(window.v[0], window.v[1]),
        ]
    };
    // Edges: (x, y, 0) from (x, y) to the right, (x, y, 1) from (x, y) upward.
    let crossing = |(x, y, up): (usize, usize, usize)| {
        let (a, b) = match up {
            0 => (value(x, y), value(x + 1, y)),
            _ => (value(x, y), value(x, y + 1)),
        };
        let t = a / (a - b);
        match up {
            0 => place(x as f64 + t, y as f64),
            _ => place(x as f64, y as f64 + t),
        }
    };
    let mut next: BTreeMap<(usize, usize, usize), (usize, usize, usize)> = BTreeMap::new();
    for y in 0..wide - 1 {
        for x in 0..wide - 1 {
            let corners = [
                value(x, y),
                value(x + 1, y),
                value(x + 1, y + 1),
                value(x, y + 1),
            ];
            let inside = corners.map(|c| c > 0.0);
            let edges = [(x, y, 0), (x + 1, y, 1), (x, y + 1, 0), (x, y, 1)];
            // Walking around the cell counterclockwise, the contour enters where the walk leaves the
            // inside and leaves where it comes back, so that the inside lies to its left.
            let leaves: Vec<usize> = (0..4)
                .filter(|&i| inside[i] && !inside[(i + 1) % 4])
                .collect();
            let enters: Vec<usize> = (0..4)
                .filter(|&i| !inside[i] && inside[(i + 1) % 4])
                .collect();
            match leaves.len() {
                1 => {
                    next.insert(edges[leaves[0]], edges[enters[0]]);
                }
                2 => {
                    let joined = corners.iter().sum::<f64>() > 0.0;
                    for &leave in &leaves {
                        let after = |steps: usize| (leave + steps) % 4;
                        let enter = match joined {
                            true => after(1),
                            false => after(3),
                        };
                        next.insert(edges[leave], edges[enter]);
                    }
                }
                _ => {}
            }
        }
    }
    let mut polygons = Vec::new();
    while let Some((&start, _)) = next.iter().next() {
        let mut polygon = Vec::new();
        let mut edge = start;
        while let Some(following) = next.remove(&edge) {
            let point = crossing(edge);
            if polygon.last() != Some(&point) {
                polygon.push(point);
            }
            edge = following;
        }
        if polygon.len() > 2 {
            polygon.push(polygon[0]);
            polygons.push(polygon);
        }
    }
    polygons
}

#[cfg(test)]
mod tests {
    use super::*;

    fn area(polygon: &[[f64; 2]]) -> f64 {
        polygon
            .windows(2)
            .map(|p| (p[0][0] * p[1][1] - p[1][0] * p[0][1]) / 2.0)
            .sum()
    }

    fn of(points: usize, inside: impl Fn(f64, f64) -> f64) -> Vec<Vec<[f64; 2]>> {
        let window = Window {
            u: [-1.0, 1.0],
            v: [-1.0, 1.0],
            points,
        };
        let values: Vec<f64> = window.grid().iter().map(|[u, v]| inside(*u, *v)).collect();
        contours(&window, &values)
    }

    #[test]
    fn a_ring_has_an_outer_boundary_and_a_hole() {
        let ring = of(81, |u, v| 0.15 - (u.hypot(v) - 0.6).abs());
        assert_eq!(ring.len(), 2);
        let mut areas: Vec<f64> = ring.iter().map(|p| area(p)).collect();
        areas.sort_by(f64::total_cmp);
        let circle = |r: f64| std::f64::consts::PI * r * r;
        assert!((areas[1] - circle(0.75)).abs() < 0.02, "{areas:?}");
        assert!((areas[0] + circle(0.45)).abs() < 0.02, "{areas:?}");
    }

    #[test]
    fn a_region_that_reaches_the_edge_closes_along_it() {
        let half = of(41, |u, _| u);
        assert_eq!(half.len(), 1);
        assert!((area(&half[0]) - 2.0).abs() < 0.1, "{}", area(&half[0]));
    }

    #[test]
    fn no_region_reaches_beyond_the_spectral_locus() {
        let window = Window {
            u: [0.05, 0.3],
            v: [0.4, 0.65],
            points: 141,
        };
        let mut everywhere = vec![5.0; window.points * window.points];
        within_locus(&window, &mut everywhere);
        let polygons = contours(&window, &everywhere);
        assert_eq!(polygons.len(), 1);
        let outline = LocusOutline::from_nm(0.0);
        let depths = polygons[0]
            .iter()
            .map(|[u, v]| outline.depth_uv(Chromaticity::new(*u, *v)));
        let least = depths.fold(f64::INFINITY, f64::min);
        // Half a grid step.
        assert!(least > -0.0009, "{least}");
        let top = polygons[0].iter().map(|p| p[1]).fold(0.0, f64::max);
        assert!((top - 0.5868).abs() < 0.001, "{top}");
    }

    #[test]
    fn nothing_inside_gives_no_polygon() {
        assert!(of(11, |_, _| -1.0).is_empty());
    }

    #[test]
    fn two_corners_that_touch_are_told_apart_or_joined_but_always_close() {
        for sign in [-1.0, 1.0] {
            let saddle = of(2, |u, v| sign * u * v);
            assert!(saddle.iter().all(|p| p.first() == p.last()));
            let sum: f64 = saddle.iter().map(|p| area(p)).sum();
            assert!(sum > 0.0);
        }
    }
}
