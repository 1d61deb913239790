//! Connected areas of a picture that is read row by row (8 neighbors), by union-find over runs.
//!
//! Memory grows with the areas that reach the current row, not with the picture: an area that the
//! current row does not touch is finished and handed out (Rosenfeld and Pfaltz 1966, J. ACM 13:471,
//! with the run-based bookkeeping that is common practice).

/// What is added up over an area.
pub(super) trait Tally {
    /// Takes over what another part of the same area added up.
    fn absorb(&mut self, other: Self);
}

/// Neighboring pixels of one kind in one row.
#[derive(Debug, Clone)]
pub(super) struct Run<T> {
    /// First pixel.
    pub start: u32,
    /// One past the last pixel.
    pub end: u32,
    /// Areas of different kinds do not connect.
    pub kind: u8,
    /// What its pixels add up to.
    pub tally: T,
}

/// A connected area.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Blob<T> {
    pub kind: u8,
    /// First pixel in reading order: (row, column).
    pub first: (u32, u32),
    pub left: u32,
    pub right: u32,
    pub bottom: u32,
    pub pixels: u64,
    pub tally: T,
}

impl<T> Blob<T> {
    pub fn width(&self) -> u32 {
        self.right - self.left
    }

    pub fn height(&self) -> u32 {
        self.bottom - self.first.0
    }

    /// Middle of the box: the row, and how far across the strip, 0 to 1. Row r of a row table is the
    /// middle of row r of the picture.
    pub fn middle(&self, strip_width: u32) -> (f64, f64) {
        (
            f64::from(self.first.0) + f64::from(self.height()) / 2.0 - 0.5,
            (f64::from(self.left) + f64::from(self.width()) / 2.0) / f64::from(strip_width),
        )
    }
}

impl<T: Tally> Blob<T> {
    fn absorb(&mut self, other: Blob<T>) {
        self.first = self.first.min(other.first);
        self.left = self.left.min(other.left);
        self.right = self.right.max(other.right);
        self.bottom = self.bottom.max(other.bottom);
        self.pixels += other.pixels;
        self.tally.absorb(other.tally);
    }
}

/// Finds connected areas in rows that come from top to bottom.
pub(super) struct BlobFinder<T> {
    row: u32,
    /// Runs of the row above: start, end, kind, area.
    above: Vec<(u32, u32, u8, u32)>,
    /// Areas that reach the row above.
    open: Vec<Blob<T>>,
}

impl<T: Tally> BlobFinder<T> {
    pub fn new() -> Self {
        BlobFinder {
            row: 0,
            above: Vec::new(),
            open: Vec::new(),
        }
    }

    /// Takes the runs of the next row, left to right, and hands out the areas that it finishes.
    pub fn row(
        &mut self,
        runs: impl IntoIterator<Item = Run<T>>,
        mut finished: impl FnMut(Blob<T>),
    ) {
        let mut areas: Vec<Option<Blob<T>>> = self.open.drain(..).map(Some).collect();
        let mut parents: Vec<u32> = (0..areas.len() as u32).collect();
        let mut touched = vec![false; areas.len()];
        let mut here = Vec::with_capacity(self.above.len());
        let mut nearest = 0;
        for run in runs {
            // Corners touch: a run above that ends where this one starts is a neighbor.
            while nearest < self.above.len() && self.above[nearest].1 < run.start {
                nearest += 1;
            }
            let mut own = None;
            for &(start, _, kind, area) in &self.above[nearest..] {
                if start > run.end {
                    break;
                }
                if kind != run.kind {
                    continue;
                }
                let area = root(&mut parents, area);
                own = Some(match own {
                    None => area,
                    Some(other) if other == area => area,
                    Some(other) => {
                        let (keep, lose) = (area.min(other), area.max(other));
                        if let Some(lost) = areas[lose as usize].take()
                            && let Some(kept) = &mut areas[keep as usize]
                        {
                            kept.absorb(lost);
                        }
                        parents[lose as usize] = keep;
                        touched[keep as usize] |= touched[lose as usize];
                        keep
                    }
                });
            }
            let fresh = Blob {
                kind: run.kind,
                first: (self.row, run.start),
                left: run.start,
                right: run.end,
                bottom: self.row + 1,
                pixels: u64::from(run.end - run.start),
                tally: run.tally,
            };
            let area = match own {
                Some(area) => {
                    if let Some(blob) = &mut areas[area as usize] {
                        blob.absorb(fresh);
                    }
                    area
                }
                None => {
                    parents.push(areas.len() as u32);
                    areas.push(Some(fresh));
                    touched.push(true);
                    areas.len() as u32 - 1
                }
            };
            touched[area as usize] = true;
            here.push((run.start, run.end, run.kind, area));
        }
        let mut renumbered = vec![0; areas.len()];
        for (i, area) in areas.into_iter().enumerate() {
            let Some(blob) = area else { continue };
            if touched[i] {
                renumbered[i] = self.open.len() as u32;
                self.open.push(blob);
            } else {
                finished(blob);
            }
        }
        for run in &mut here {
            run.3 = renumbered[root(&mut parents, run.3) as usize];
        }
        self.above = here;
        self.row += 1;
    }

    /// Hands out the areas that reach the last row.
    pub fn finish(self, finished: impl FnMut(Blob<T>)) {
        self.open.into_iter().for_each(finished);
    }
}

/// Joins areas of one kind whose boxes lie no more than `gap` pixels apart, none for a gap of 0; the areas
/// come and go in the order of their first pixels.
pub(super) fn join<T: Tally>(areas: Vec<Blob<T>>, gap: u32) -> Vec<Blob<T>> {
    if gap == 0 {
        return areas;
    }
    let mut parents: Vec<u32> = (0..areas.len() as u32).collect();
    let tallest = areas.iter().map(Blob::height).max().unwrap_or(0);
    for (i, area) in areas.iter().enumerate() {
        for (j, other) in areas.iter().enumerate().skip(i + 1) {
            if other.first.0 > area.first.0 + tallest + gap {
                break;
            }
            let near = other.first.0 <= area.bottom + gap
                && other.left <= area.right + gap
                && area.left <= other.right + gap;
            if near && area.kind == other.kind {
                let (a, b) = (root(&mut parents, i as u32), root(&mut parents, j as u32));
                parents[a.max(b) as usize] = a.min(b);
            }
        }
    }
    let mut joined: Vec<Option<Blob<T>>> = Vec::with_capacity(areas.len());
    for (i, area) in areas.into_iter().enumerate() {
        let own = root(&mut parents, i as u32) as usize;
        match own == i {
            true => joined.push(Some(area)),
            false => {
                joined.push(None);
                if let Some(first) = &mut joined[own] {
                    first.absorb(area);
                }
            }
        }
    }
    joined.into_iter().flatten().collect()
}

fn root(parents: &mut [u32], mut area: u32) -> u32 {
    while parents[area as usize] != area {
        let above = parents[parents[area as usize] as usize];
        parents[area as usize] = above;
        area = above;
    }
    area
}

/// Cuts a row of kinds into runs; kind 0 is no area.
pub(super) fn runs_of(kinds: &[u8], mut found: impl FnMut(u32, u32, u8)) {
    let mut start = 0;
    for part in kinds.chunk_by(|a, b| a == b) {
        let end = start + part.len();
        if part[0] != 0 {
            found(start as u32, end as u32, part[0]);
        }
        start = end;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn pieces_near_each_other_are_one_and_others_are_not() {
        let piece = |left: u32, top: u32, kind: u8| Blob {
            kind,
            first: (top, left),
            left,
            right: left + 4,
            bottom: top + 2,
            pixels: 8,
            tally: Columns(1),
        };
        // The second is 3 pixels to the right, the third 3 rows below, the fourth of another kind.
        let pieces = vec![
            piece(10, 5, 1),
            piece(17, 5, 1),
            piece(17, 6, 2),
            piece(10, 10, 1),
            piece(40, 10, 1),
        ];
        let joined = join(pieces.clone(), 3);
        assert_eq!(joined.len(), 3);
        assert_eq!((joined[0].pixels, joined[0].tally.0), (24, 3));
        assert_eq!(
            (joined[0].left, joined[0].right, joined[0].bottom),
            (10, 21, 12)
        );
        assert_eq!(join(pieces, 2).len(), 5);
    }

    /// Column sum, as an example of something added up.
    #[derive(Debug, Clone, PartialEq)]
    struct Columns(u64);

    impl Tally for Columns {
        fn absorb(&mut self, other: Self) {
            self.0 += other.0;
        }
    }

    fn blobs(kinds: &[Vec<u8>]) -> Vec<Blob<Columns>> {
        let mut finder = BlobFinder::new();
        let mut found = Vec::new();
        for row in kinds {
            let mut runs = Vec::new();
            runs_of(row, |start, end, kind| {
                let tally = Columns((start..end).map(u64::from).sum());
                runs.push(Run {
                    start,
                    end,
                    kind,
                    tally,
                });
            });
            finder.row(runs, |b| found.push(b));
        }
        finder.finish(|b| found.push(b));
        found.sort_by_key(|b| b.first);
        found
    }

    /// The same by flood fill of the whole picture.
    fn flooded(kinds: &[Vec<u8>]) -> Vec<Blob<Columns>> {
        let (rows, width) = (kinds.len() as i64, kinds[0].len() as i64);
        let mut seen = vec![vec![false; kinds[0].len()]; kinds.len()];
        let mut found = Vec::new();
        for y in 0..rows {
            for x in 0..width {
                let kind = kinds[y as usize][x as usize];
                if kind == 0 || seen[y as usize][x as usize] {
                    continue;
                }
                let mut blob = Blob {
                    kind,
                    first: (y as u32, x as u32),
                    left: x as u32,
                    right: x as u32 + 1,
                    bottom: y as u32 + 1,
                    pixels: 0,
                    tally: Columns(0),
                };
                seen[y as usize][x as usize] = true;
                let mut stack = vec![(x, y)];
                while let Some((x, y)) = stack.pop() {
                    blob.left = blob.left.min(x as u32);
                    blob.right = blob.right.max(x as u32 + 1);
                    blob.bottom = blob.bottom.max(y as u32 + 1);
                    blob.pixels += 1;
                    blob.tally.0 += x as u64;
                    for (dx, dy) in (0..9).map(|i| (i % 3 - 1, i / 3 - 1)) {
                        let (nx, ny) = (x + dx, y + dy);
                        if !(0..width).contains(&nx) || !(0..rows).contains(&ny) {
                            continue;
                        }
                        let (nxu, nyu) = (nx as usize, ny as usize);
                        if kinds[nyu][nxu] == kind && !seen[nyu][nxu] {
                            seen[nyu][nxu] = true;
                            stack.push((nx, ny));
                        }
                    }
                }
                found.push(blob);
            }
        }
        found
    }

    fn picture(rows: &[&str]) -> Vec<Vec<u8>> {
        let kind = |c: u8| if c == b'.' { 0 } else { c - b'0' };
        rows.iter().map(|r| r.bytes().map(kind).collect()).collect()
    }

    #[test]
    fn corners_connect_and_kinds_do_not() {
        let found = blobs(&picture(&["1..2", ".1.2", "..1.", "222."]));
        let boxes: Vec<_> = found
            .iter()
            .map(|b| (b.kind, b.left, b.first.0, b.width(), b.height(), b.pixels))
            .collect();
        assert_eq!(
            boxes,
            [(1, 0, 0, 3, 3, 3), (2, 3, 0, 1, 2, 2), (2, 0, 3, 3, 1, 3)]
        );
    }

    #[test]
    fn arms_that_meet_below_are_one_area() {
        let found = blobs(&picture(&["1.1.1", "1.1.1", "11111"]));
        assert_eq!(found.len(), 1);
        assert_eq!((found[0].pixels, found[0].first), (11, (0, 0)));
    }

    proptest! {
        #[test]
        fn any_picture_gives_the_areas_that_a_flood_fill_gives(
            width in 1_usize..14,
            cells in proptest::collection::vec(0_u8..3, 1..160),
        ) {
            let kinds: Vec<Vec<u8>> =
                cells.chunks_exact(width).map(<[u8]>::to_vec).collect();
            prop_assume!(!kinds.is_empty());
            prop_assert_eq!(blobs(&kinds), flooded(&kinds));
        }
    }
}
