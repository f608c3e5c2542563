//! Inner loops over rows of numbers, written so that a processor works on several at a time.

use nalgebra::DMatrix;

/// Scalar product in four running sums, which a processor adds up side by side.
#[inline]
pub(crate) fn dot(a: &[f64], b: &[f64]) -> f64 {
    let mut sums = [0.0; 4];
    let (mut a, mut b) = (a.chunks_exact(4), b.chunks_exact(4));
    for (x, y) in a.by_ref().zip(b.by_ref()) {
        for (sum, (x, y)) in sums.iter_mut().zip(x.iter().zip(y)) {
            *sum += x * y;
        }
    }
    let rest: f64 = a
        .remainder()
        .iter()
        .zip(b.remainder())
        .map(|(x, y)| x * y)
        .sum();
    (sums[0] + sums[1]) + (sums[2] + sums[3]) + rest
}

/// `row ← row + Σ factor · other` over rows of as many numbers, two at a time.
pub(crate) fn add(row: &mut [f64], factors: &[f64], others: &[f64]) {
    let k = row.len();
    for (f, block) in factors.chunks(2).zip(others.chunks(2 * k)) {
        if let [a, b] = *f {
            let (left, right) = block.split_at(k);
            for ((mine, x), y) in row.iter_mut().zip(left).zip(right) {
                *mine += a * x + b * y;
            }
        } else {
            for (mine, x) in row.iter_mut().zip(block) {
                *mine += f[0] * x;
            }
        }
    }
}

/// `row ← row − Σ factor · other` over rows of as many numbers, four at a time: each number of `row` is then fetched
/// and stored a quarter as often.
pub(crate) fn subtract(row: &mut [f64], factors: &[f64], others: &[f64]) {
    let k = row.len();
    let mut fours = factors.chunks_exact(4);
    let mut blocks = others.chunks_exact(4 * k);
    for (f, block) in fours.by_ref().zip(blocks.by_ref()) {
        let (a, rest) = block.split_at(k);
        let (b, rest) = rest.split_at(k);
        let (c, d) = rest.split_at(k);
        for ((((mine, a), b), c), d) in row.iter_mut().zip(a).zip(b).zip(c).zip(d) {
            *mine -= (f[0] * a + f[1] * b) + (f[2] * c + f[3] * d);
        }
    }
    let done = factors.len() - fours.remainder().len();
    for (factor, other) in fours
        .remainder()
        .iter()
        .zip(others[done * k..].chunks_exact(k))
    {
        for (mine, theirs) in row.iter_mut().zip(other) {
            *mine -= factor * theirs;
        }
    }
}

/// `C ← C − Wᵀ W` (lower triangle) for W of rows of k numbers, four rows at a time.
pub(crate) fn subtract_squares(corner: &mut DMatrix<f64>, w: &[f64], k: usize) {
    let values = corner.as_mut_slice();
    let mut blocks = w.chunks_exact(4 * k);
    for block in blocks.by_ref() {
        let (a, rest) = block.split_at(k);
        let (b, rest) = rest.split_at(k);
        let (c, d) = rest.split_at(k);
        for at in 0..k {
            let (fa, fb, fc, fd) = (a[at], b[at], c[at], d[at]);
            let column = &mut values[at * k + at..(at + 1) * k];
            for ((((value, a), b), c), d) in column
                .iter_mut()
                .zip(&a[at..])
                .zip(&b[at..])
                .zip(&c[at..])
                .zip(&d[at..])
            {
                *value -= (fa * a + fb * b) + (fc * c + fd * d);
            }
        }
    }
    for row in blocks.remainder().chunks_exact(k) {
        for at in 0..k {
            let column = &mut values[at * k + at..(at + 1) * k];
            for (value, left) in column.iter_mut().zip(&row[at..]) {
                *value -= row[at] * left;
            }
        }
    }
}
