//! Eigenvalues of a real matrix by balancing, reduction to Hessenberg form and the shifted QR
//! algorithm (B. Parlett, C. Reinsch, Numerische Mathematik 13, 1969; R. Martin, G. Peters,
//! J. Wilkinson, Numerische Mathematik 14, 1970).
//!
//! The linear algebra library's own routine does not balance, and on about one of two thousand
//! random networks it gave a value that is no number; hence this one.

use nalgebra::{Complex, DMatrix};

/// QR sweeps for one eigenvalue before giving up; ten is the usual most.
const MOST_SWEEPS: usize = 120;

/// The eigenvalues of a square matrix; `None` if the iteration does not settle or a value is not finite.
pub fn eigenvalues(mut a: DMatrix<f64>) -> Option<Vec<Complex<f64>>> {
    if a.iter().any(|v| !v.is_finite()) {
        return None;
    }
    if a.nrows() > 0 {
        balance(&mut a);
        a = a.hessenberg().unpack_h();
    }
    let values = qr_algorithm(a)?;
    values.iter().all(|v| v.re.is_finite() && v.im.is_finite()).then_some(values)
}

/// Scales rows and columns by powers of two until their sums of magnitudes are alike; exact in
/// binary arithmetic, and the eigenvalues stay.
fn balance(a: &mut DMatrix<f64>) {
    let n = a.nrows();
    let mut settled = false;
    while !settled {
        settled = true;
        for i in 0..n {
            let off = |k: &usize| *k != i;
            let column: f64 = (0..n).filter(off).map(|k| a[(k, i)].abs()).sum();
            let row: f64 = (0..n).filter(off).map(|k| a[(i, k)].abs()).sum();
            if column == 0.0 || row == 0.0 {
                continue;
            }
            let exponent = (0.5 * (row / column).log2()).round();
            let factor = exponent.exp2();
            if (column * factor + row / factor) < 0.95 * (column + row) {
                settled = false;
                a.column_mut(i).scale_mut(factor);
                a.row_mut(i).unscale_mut(factor);
            }
        }
    }
}

/// Francis' implicit double shift on an upper Hessenberg matrix, eigenvalues only.
fn qr_algorithm(mut h: DMatrix<f64>) -> Option<Vec<Complex<f64>>> {
    let n = h.nrows();
    let mut values = vec![Complex::new(0.0, 0.0); n];
    let norm: f64 = h.iter().map(|v| v.abs()).sum();
    // Rows `0..active` still hold unknown eigenvalues; `shift` has been taken off the diagonal.
    let mut active = n;
    let mut shift = 0.0;
    let mut sweeps = 0;
    while active > 0 {
        let last = active - 1;
        let start = split(&mut h, last, norm);
        if start == last {
            values[last] = Complex::new(h[(last, last)] + shift, 0.0);
            active -= 1;
            sweeps = 0;
        } else if start + 1 == last {
            [values[last - 1], values[last]] = pair(&h, last, shift);
            active -= 2;
            sweeps = 0;
        } else {
            if sweeps == MOST_SWEEPS {
                return None;
            }
            sweep(&mut h, start, last, &mut shift, sweeps);
            sweeps += 1;
        }
    }
    Some(values)
}

/// The first row of the last block that does not fall apart; the entry before it is set to zero.
fn split(h: &mut DMatrix<f64>, last: usize, norm: f64) -> usize {
    for k in (1..=last).rev() {
        let mut size = h[(k - 1, k - 1)].abs() + h[(k, k)].abs();
        if size == 0.0 {
            size = norm;
        }
        if h[(k, k - 1)].abs() <= f64::EPSILON * size {
            h[(k, k - 1)] = 0.0;
            return k;
        }
    }
    0
}

/// The two eigenvalues of the last two rows.
fn pair(h: &DMatrix<f64>, last: usize, shift: f64) -> [Complex<f64>; 2] {
    let x = h[(last, last)];
    let w = h[(last, last - 1)] * h[(last - 1, last)];
    let p = 0.5 * (h[(last - 1, last - 1)] - x);
    let q = p * p + w;
    let x = x + shift;
    if q < 0.0 {
        let im = (-q).sqrt();
        return [Complex::new(x + p, im), Complex::new(x + p, -im)];
    }
    let z = p + q.sqrt().copysign(p);
    let second = if z == 0.0 { x } else { x - w / z };
    [Complex::new(x + z, 0.0), Complex::new(second, 0.0)]
}

/// One double-shift step on rows `start..=last`.
fn sweep(h: &mut DMatrix<f64>, start: usize, last: usize, shift: &mut f64, sweeps: usize) {
    let mut x = h[(last, last)];
    let mut y = h[(last - 1, last - 1)];
    let mut w = h[(last, last - 1)] * h[(last - 1, last)];
    if sweeps % 10 == 9 {
        // An exceptional shift breaks a cycle.
        *shift += x;
        for i in 0..=last {
            h[(i, i)] -= x;
        }
        let s = h[(last, last - 1)].abs() + h[(last - 1, last - 2)].abs();
        x = 0.75 * s;
        y = x;
        w = -0.4375 * s * s;
    }
    // Two small entries in a row let the step begin further down.
    let mut m = last - 2;
    let (mut p, mut q, mut r);
    loop {
        let z = h[(m, m)];
        let (a, b) = (x - z, y - z);
        p = (a * b - w) / h[(m + 1, m)] + h[(m, m + 1)];
        q = h[(m + 1, m + 1)] - z - a - b;
        r = h[(m + 2, m + 1)];
        let size = p.abs() + q.abs() + r.abs();
        if size > 0.0 {
            (p, q, r) = (p / size, q / size, r / size);
        }
        if m == start {
            break;
        }
        let small = h[(m, m - 1)].abs() * (q.abs() + r.abs());
        let large = p.abs() * (h[(m - 1, m - 1)].abs() + z.abs() + h[(m + 1, m + 1)].abs());
        if small <= f64::EPSILON * large {
            break;
        }
        m -= 1;
    }
    for i in m + 2..=last {
        h[(i, i - 2)] = 0.0;
        if i > m + 2 {
            h[(i, i - 3)] = 0.0;
        }
    }
    for k in m..last {
        let has_third = k + 1 < last;
        let mut size = 1.0;
        if k > m {
            p = h[(k, k - 1)];
            q = h[(k + 1, k - 1)];
            r = if has_third { h[(k + 2, k - 1)] } else { 0.0 };
            size = p.abs() + q.abs() + r.abs();
            if size == 0.0 {
                continue;
            }
            (p, q, r) = (p / size, q / size, r / size);
        }
        let s = (p * p + q * q + r * r).sqrt().copysign(p);
        if s == 0.0 {
            continue;
        }
        if k > m {
            h[(k, k - 1)] = -s * size;
        } else if start != m {
            h[(k, k - 1)] = -h[(k, k - 1)];
        }
        p += s;
        let (u, v, t) = (p / s, q / s, r / s);
        (q, r) = (q / p, r / p);
        // Three neighbours in each column, then three columns side by side, without a look-up for each
        // entry: this is where the time goes.
        let rows = h.nrows();
        for column in h.as_mut_slice().chunks_exact_mut(rows).take(last + 1).skip(k) {
            if has_third {
                let [a, b, c] = &mut column[k..k + 3] else { continue };
                let sum = *a + q * *b + r * *c;
                *c -= sum * t;
                *b -= sum * v;
                *a -= sum * u;
            } else {
                let [a, b] = &mut column[k..k + 2] else { continue };
                let sum = *a + q * *b;
                *b -= sum * v;
                *a -= sum * u;
            }
        }
        let end = last.min(k + 3) + 1;
        let (first, others) = h.as_mut_slice()[k * rows..].split_at_mut(rows);
        let (second, third) = others.split_at_mut(rows);
        let (first, second) = (&mut first[start..end], &mut second[start..end]);
        if has_third {
            let third = &mut third[start..end];
            for i in 0..first.len() {
                let sum = u * first[i] + v * second[i] + t * third[i];
                third[i] -= sum * r;
                second[i] -= sum * q;
                first[i] -= sum;
            }
        } else {
            for i in 0..first.len() {
                let sum = u * first[i] + v * second[i];
                second[i] -= sum * q;
                first[i] -= sum;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The coefficients of a polynomial from its roots are exact integers here, and its companion
    /// matrix has those roots.
    #[test]
    fn companion_matrix_has_the_roots_of_its_polynomial() {
        // (x - 1)(x - 2)(x - 3)(x + 4)(x^2 + 2 x + 5): roots 1, 2, 3, -4, -1 +- 2i.
        let quadratics: [&[f64]; 5] =
            [&[1.0, -1.0], &[1.0, -2.0], &[1.0, -3.0], &[1.0, 4.0], &[1.0, 2.0, 5.0]];
        let mut poly = vec![1.0];
        for q in quadratics {
            let mut next = vec![0.0; poly.len() + q.len() - 1];
            for (i, a) in poly.iter().enumerate() {
                for (j, b) in q.iter().enumerate() {
                    next[i + j] += a * b;
                }
            }
            poly = next;
        }
        let n = poly.len() - 1;
        let companion = DMatrix::from_fn(n, n, |r, c| {
            if r == 0 {
                -poly[c + 1]
            } else if r == c + 1 {
                1.0
            } else {
                0.0
            }
        });
        let mut found = eigenvalues(companion).expect("eigenvalues");
        found.sort_by(|a, b| (a.re, a.im).partial_cmp(&(b.re, b.im)).expect("numbers"));
        let expected = [(-4.0, 0.0), (-1.0, -2.0), (-1.0, 2.0), (1.0, 0.0), (2.0, 0.0), (3.0, 0.0)];
        for (f, (re, im)) in found.iter().zip(expected) {
            assert!((f - Complex::new(re, im)).norm() < 1e-11, "{f} instead of {re} {im}");
        }
    }

    /// Eigenvalues of a symmetric matrix of any scale are those of the library's symmetric routine.
    #[test]
    fn badly_scaled_similar_matrix_has_the_eigenvalues_of_the_symmetric_one() {
        let n = 12;
        let symmetric =
            DMatrix::from_fn(n, n, |r, c| 1.0 / (1.0 + (r + c) as f64 + r.min(c) as f64));
        let scaled = DMatrix::from_fn(n, n, |r, c| {
            symmetric[(r, c)] * 10f64.powi(2 * (r as i32 % 5) - 2 * (c as i32 % 5))
        });
        let mut found: Vec<f64> =
            eigenvalues(scaled).expect("values").iter().map(|v| v.re).collect();
        let mut expected: Vec<f64> = symmetric.symmetric_eigenvalues().iter().copied().collect();
        found.sort_by(f64::total_cmp);
        expected.sort_by(f64::total_cmp);
        for (f, e) in found.iter().zip(&expected) {
            assert!((f - e).abs() < 1e-13, "{f} instead of {e}");
        }
    }

    #[test]
    fn nothing_has_no_eigenvalues_and_nan_is_refused() {
        assert_eq!(eigenvalues(DMatrix::zeros(0, 0)), Some(vec![]));
        assert_eq!(eigenvalues(DMatrix::from_element(3, 3, f64::NAN)), None);
        assert_eq!(eigenvalues(DMatrix::zeros(2, 2)), Some(vec![Complex::new(0.0, 0.0); 2]));
    }
}
