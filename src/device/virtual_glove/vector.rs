//! The few operations on plain 3-vectors and 3×3 matrices (row by row) that the glove needs.

/// A vector.
pub type Vec3 = [f64; 3];
/// A matrix, row by row.
pub type Mat3 = [[f64; 3]; 3];

/// The matrix that changes nothing.
pub const IDENTITY: Mat3 = [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]];

/// `a + b`.
#[must_use]
pub fn add(a: Vec3, b: Vec3) -> Vec3 {
    [a[0] + b[0], a[1] + b[1], a[2] + b[2]]
}

/// `v · factor`.
#[must_use]
pub fn scale(v: Vec3, factor: f64) -> Vec3 {
    [v[0] * factor, v[1] * factor, v[2] * factor]
}

/// The dot product.
#[must_use]
pub fn dot(a: Vec3, b: Vec3) -> f64 {
    a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
}

/// The cross product.
#[must_use]
pub fn cross(a: Vec3, b: Vec3) -> Vec3 {
    [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]]
}

/// The length of `v`.
#[must_use]
pub fn norm(v: Vec3) -> f64 {
    dot(v, v).sqrt()
}

/// `m v`.
#[must_use]
pub fn apply(m: &Mat3, v: Vec3) -> Vec3 {
    [dot(m[0], v), dot(m[1], v), dot(m[2], v)]
}

/// `mᵀ v`.
#[must_use]
pub fn apply_transposed(m: &Mat3, v: Vec3) -> Vec3 {
    add(add(scale(m[0], v[0]), scale(m[1], v[1])), scale(m[2], v[2]))
}

/// `a b`.
#[must_use]
pub fn multiply(a: &Mat3, b: &Mat3) -> Mat3 {
    let mut product = [[0.0; 3]; 3];
    for (row, out) in a.iter().zip(product.iter_mut()) {
        *out = apply_transposed(b, *row);
    }
    product
}

/// The rotation about a coordinate axis (0 x, 1 y, 2 z).
#[must_use]
pub fn rotation_about(axis: usize, angle_rad: f64) -> Mat3 {
    let (sin, cos) = angle_rad.sin_cos();
    let (i, j) = ((axis + 1) % 3, (axis + 2) % 3);
    let mut m = [[0.0; 3]; 3];
    m[axis][axis] = 1.0;
    m[i][i] = cos;
    m[i][j] = -sin;
    m[j][i] = sin;
    m[j][j] = cos;
    m
}
