use nalgebra::DMatrix;

/// Columns that turn independent unit errors into errors of the rig's parameters: a square root of the covariance
/// from the eigenvectors of its correlations (units differ too much for its own).
pub(crate) fn survey_directions(covariance: &DMatrix<f64>) -> DMatrix<f64> {
    let sd: Vec<f64> = (0..covariance.nrows())
        .map(|k| covariance[(k, k)].max(0.0).sqrt())
        .collect();
    let known: Vec<usize> = (0..sd.len()).filter(|&k| sd[k] > 0.0).collect();
    if known.is_empty() {
        return DMatrix::zeros(sd.len(), 0);
    }
    let correlation = DMatrix::from_fn(known.len(), known.len(), |i, j| {
        covariance[(known[i], known[j])] / (sd[known[i]] * sd[known[j]])
    });
    let eigen = correlation.symmetric_eigen();
    let kept: Vec<usize> = (0..known.len())
        .filter(|&k| eigen.eigenvalues[k] > 1e-10)
        .collect();
    let mut directions = DMatrix::zeros(sd.len(), kept.len());
    for (column, &k) in kept.iter().enumerate() {
        for (row, &parameter) in known.iter().enumerate() {
            directions[(parameter, column)] =
                sd[parameter] * eigen.eigenvectors[(row, k)] * eigen.eigenvalues[k].sqrt();
        }
    }
    directions
}
