//! A short walk through places.

/// Order in which to visit `places` (east and north in m), from `start` and back to it.
///
/// Nearest neighbor, then 2-opt until no exchange shortens the walk: short, not the shortest.
///
/// ```
/// use boneglow::planning::{route, route_length};
/// let places = [[0.0, 100.0], [100.0, 0.0], [100.0, 100.0]];
/// let order = route([0.0, 0.0], &places);
/// assert_eq!(route_length([0.0, 0.0], &places, &order), 400.0);
/// ```
pub fn route(start: [f64; 2], places: &[[f64; 2]]) -> Vec<usize> {
    let mut left: Vec<usize> = (0..places.len()).collect();
    let mut order = Vec::with_capacity(places.len());
    let mut at = start;
    while let Some(nearest) = (0..left.len())
        .min_by(|&a, &b| distance(at, places[left[a]]).total_cmp(&distance(at, places[left[b]])))
    {
        let place = left.remove(nearest);
        at = places[place];
        order.push(place);
    }
    let stop = |order: &[usize], i: usize| -> [f64; 2] {
        match i == 0 || i > order.len() {
            true => start,
            false => places[order[i - 1]],
        }
    };
    loop {
        let mut shortened = false;
        for i in 0..order.len() {
            for j in i + 1..order.len() {
                // Stops i + 1 ..= j + 1 walked the other way round.
                let (a, b) = (stop(&order, i), stop(&order, i + 1));
                let (c, d) = (stop(&order, j + 1), stop(&order, j + 2));
                let gain = distance(a, b) + distance(c, d) - distance(a, c) - distance(b, d);
                if gain > 1e-9 {
                    order[i..=j].reverse();
                    shortened = true;
                }
            }
        }
        if !shortened {
            return order;
        }
    }
}

/// Length in m of the walk from `start` through `places` in this order and back.
pub fn route_length(start: [f64; 2], places: &[[f64; 2]], order: &[usize]) -> f64 {
    let mut at = start;
    let mut length = 0.0;
    for &place in order {
        length += distance(at, places[place]);
        at = places[place];
    }
    length + distance(at, start)
}

fn distance(a: [f64; 2], b: [f64; 2]) -> f64 {
    (a[0] - b[0]).hypot(a[1] - b[1])
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_place_is_visited_once() {
        let places: Vec<[f64; 2]> = (0..40)
            .map(|i| [f64::from(i * 37 % 101), f64::from(i * 53 % 97)])
            .collect();
        let mut order = route([0.0, 0.0], &places);
        order.sort_unstable();
        assert_eq!(order, (0..40).collect::<Vec<_>>());
    }

    #[test]
    fn places_on_a_circle_are_walked_around() {
        let places: Vec<[f64; 2]> = (1..24)
            .map(|i| {
                let angle = f64::from(i * 7 % 24) / 24.0 * std::f64::consts::TAU;
                [angle.cos(), angle.sin()]
            })
            .collect();
        let order = route([1.0, 0.0], &places);
        let chord = 2.0 * (std::f64::consts::PI / 24.0).sin();
        let length = route_length([1.0, 0.0], &places, &order);
        assert!((length - 24.0 * chord).abs() < 1e-9, "{length}");
    }

    #[test]
    fn no_place_is_no_walk() {
        assert!(route([0.0, 0.0], &[]).is_empty());
        assert_eq!(route_length([3.0, 4.0], &[], &[]), 0.0);
    }
}
