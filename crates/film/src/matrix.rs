//! Three-by-three matrices, row by row, as plain arrays.

pub type Matrix3 = [[f64; 3]; 3];

pub const IDENTITY: Matrix3 = [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]];

/// `m * v`.
pub fn apply(m: &Matrix3, v: [f64; 3]) -> [f64; 3] {
    [0, 1, 2].map(|row| m[row][0] * v[0] + m[row][1] * v[1] + m[row][2] * v[2])
}

/// `a * b`: applies `b` first, then `a`.
pub fn multiply(a: &Matrix3, b: &Matrix3) -> Matrix3 {
    let mut out = [[0.0; 3]; 3];
    for (row, out_row) in out.iter_mut().enumerate() {
        for (column, cell) in out_row.iter_mut().enumerate() {
            *cell = (0..3).map(|k| a[row][k] * b[k][column]).sum();
        }
    }
    out
}

/// The inverse by cofactors; `None` if the determinant is zero or not a number.
pub fn invert(m: &Matrix3) -> Option<Matrix3> {
    let cofactor = |r: usize, c: usize| {
        let (r1, r2, c1, c2) = ((r + 1) % 3, (r + 2) % 3, (c + 1) % 3, (c + 2) % 3);
        m[r1][c1] * m[r2][c2] - m[r1][c2] * m[r2][c1]
    };
    let determinant: f64 = (0..3).map(|c| m[0][c] * cofactor(0, c)).sum();
    if !(determinant.abs() > 1e-12 && determinant.is_finite()) {
        return None;
    }
    let mut out = [[0.0; 3]; 3];
    for (row, out_row) in out.iter_mut().enumerate() {
        for (column, cell) in out_row.iter_mut().enumerate() {
            *cell = cofactor(column, row) / determinant;
        }
    }
    Some(out)
}

/// A matrix with `d` on its diagonal.
pub fn diagonal(d: [f64; 3]) -> Matrix3 {
    [[d[0], 0.0, 0.0], [0.0, d[1], 0.0], [0.0, 0.0, d[2]]]
}

/// Linear interpolation from `a` at 0 to `b` at 1, cell by cell.
pub fn lerp(a: &Matrix3, b: &Matrix3, share: f64) -> Matrix3 {
    let mut out = *a;
    for (out_row, b_row) in out.iter_mut().zip(b) {
        for (cell, target) in out_row.iter_mut().zip(b_row) {
            *cell += (target - *cell) * share;
        }
    }
    out
}

/// Every row divided by its sum, so that equal inputs give equal outputs; rows that sum to zero stay unchanged.
pub fn with_unit_row_sums(m: &Matrix3) -> Matrix3 {
    m.map(|row| {
        let sum: f64 = row.iter().sum();
        if sum.abs() > 1e-9 { row.map(|cell| cell / sum) } else { row }
    })
}

pub fn is_finite(m: &Matrix3) -> bool {
    m.iter().flatten().all(|cell| cell.is_finite())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_matrix_times_its_inverse_is_the_identity() {
        let m = [[0.9, 0.1, -0.2], [0.3, 1.4, 0.1], [-0.5, 0.2, 2.0]];
        let product = multiply(&m, &invert(&m).expect("this one has an inverse"));
        for (row, want) in product.iter().zip(IDENTITY) {
            for (cell, want) in row.iter().zip(want) {
                assert!((cell - want).abs() < 1e-12);
            }
        }
        assert_eq!(invert(&[[1.0, 2.0, 3.0], [2.0, 4.0, 6.0], [0.0, 1.0, 0.0]]), None);
    }
}
