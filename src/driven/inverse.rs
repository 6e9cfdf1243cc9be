//! Inverse of a small matrix that is near the identity, some of its lines left out.

use super::running::MOST_PORTS;
use crate::simd::{QUAD, Quad};

/// A pivot below this calls for an exchange of lines: the matrices are near the identity for networks
/// of resistors and valves.
const SMALL: f64 = 0.05;

/// The line of the identity with its one at a place; made by arithmetic, since a write to one place of a
/// line would send it through memory.
#[inline(always)]
pub fn unit<const W: usize>(at: usize) -> [Quad; W] {
    const PLACES: [Quad; QUAD] = [
        Quad([1.0, 0.0, 0.0, 0.0]),
        Quad([0.0, 1.0, 0.0, 0.0]),
        Quad([0.0, 0.0, 1.0, 0.0]),
        Quad([0.0, 0.0, 0.0, 1.0]),
    ];
    let place = PLACES[at % QUAD];
    let mut line = [Quad::ZERO; W];
    for q in 0..W {
        line[q].add(&place, if at / QUAD == q { 1.0 } else { 0.0 });
    }
    line
}

/// Replaces a matrix by its inverse. `lines` are those lines of it whose places are `active`, in order; the
/// other lines are as if they were the identity's, and what is at their places in `lines` must be zero or
/// count for nothing.
#[inline(always)]
pub fn invert<const W: usize>(lines: &mut [[Quad; W]], active: &[usize]) {
    let mut exchanges = [(0, 0); MOST_PORTS];
    let mut exchanged = 0;
    for k in 0..lines.len() {
        let p = active[k];
        let (quad, place) = (p / QUAD, p % QUAD);
        if lines[k][quad].0[place].abs() < SMALL {
            let best = k + largest(&lines[k..], quad, place);
            lines.swap(k, best);
            exchanges[exchanged] = (p, active[best]);
            exchanged += 1;
        }
        let pivot = lines[k][quad].0[place];
        let scale = 1.0 / pivot;
        let one = unit::<W>(p);
        let (mut line, mut taken) = ([Quad::ZERO; W], [Quad::ZERO; W]);
        for q in 0..W {
            line[q] = lines[k][q].by(scale);
            line[q].add(&one[q], scale - pivot * scale);
            // One more, since what it is taken from is not put to zero first.
            taken[q] = line[q].plus(&one[q]);
        }
        // The line itself as well, which is put right afterwards: quicker than to leave it out.
        for row in &mut *lines {
            let factor = -row[quad].0[place];
            for q in 0..W {
                row[q].add(&taken[q], factor);
            }
        }
        lines[k] = line;
    }
    for at in (0..exchanged).rev() {
        let (a, b) = exchanges[at];
        for row in &mut *lines {
            let kept = row[a / QUAD].0[a % QUAD];
            row[a / QUAD].0[a % QUAD] = row[b / QUAD].0[b % QUAD];
            row[b / QUAD].0[b % QUAD] = kept;
        }
    }
}

#[cold]
fn largest<const W: usize>(rows: &[[Quad; W]], quad: usize, place: usize) -> usize {
    let size = |at: usize| rows[at][quad].0[place].abs();
    (0..rows.len()).max_by(|&a, &b| size(a).total_cmp(&size(b))).unwrap_or(0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use nalgebra::DMatrix;

    /// With and without exchanges, all lines or some of them, against nalgebra's inverse.
    #[test]
    fn inverses_are_inverses() {
        let mut state = 1u64;
        let mut random = || {
            state =
                state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963);
            (state >> 11) as f64 / (1u64 << 52) as f64 - 1.0
        };
        for size in [1, 2, 3, 5, 8, 13, 19, 23, 27, 40] {
            for diagonal in [3.0, 0.0] {
                let active: Vec<usize> = (0..size).filter(|r| size < 4 || r % 5 != 2).collect();
                let count = active.len();
                let matrix = DMatrix::from_fn(count, count, |r, c| match (r == c, count) {
                    // A lone zero has no inverse.
                    (true, 1) => 3.0,
                    (true, _) if diagonal == 0.0 => 0.0,
                    (true, _) => diagonal + random(),
                    (false, _) => random(),
                });
                let mut lines = vec![[Quad([9.0; QUAD]); 10]; count];
                for r in 0..count {
                    for c in 0..count {
                        let column = active[c];
                        lines[r][column / QUAD].0[column % QUAD] = matrix[(r, c)];
                    }
                }
                invert(&mut lines, &active);
                let inverse = matrix.clone().try_inverse().expect("an inverse");
                let tolerance = 1e-12 * inverse.amax() * inverse.amax() * matrix.amax();
                for r in 0..count {
                    for c in 0..count {
                        let got = lines[r][active[c] / QUAD].0[active[c] % QUAD];
                        let error = (got - inverse[(r, c)]).abs();
                        assert!(error < tolerance, "{size}, {diagonal}: {error}");
                    }
                }
            }
        }
    }
}
