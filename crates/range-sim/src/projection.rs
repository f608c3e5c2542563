//! Where a point lands in the picture: written here on its own, from the published formulas, so that the
//! pipeline is never checked against itself. Only the plain parameter structs are shared.

use drawarc_rig::{BrownConrady, KannalaBrandt, Lens};
use nalgebra::{Point2, Point3};

/// Pixel of a point in the camera frame (m); `None` behind the camera.
///
/// Brown 1971 (radial k1 k2 k3, tangential p1 p2) or Kannala & Brandt 2006 eq. 6, in the conventions of
/// `OpenCV`'s documentation of `calib3d` and `fisheye`: x right, y down, z forward, the centre of the first
/// pixel at (0, 0).
pub fn project(lens: &Lens, point_in_camera: &Point3<f64>) -> Option<Point2<f64>> {
    let [x, y, z] = [point_in_camera.x, point_in_camera.y, point_in_camera.z];
    match lens {
        Lens::BrownConrady(model) => {
            if z <= 1e-9 {
                return None;
            }
            Some(brown(model, x / z, y / z))
        }
        Lens::KannalaBrandt(model) => {
            let across = (x * x + y * y).sqrt();
            let angle = across.atan2(z);
            if across < 1e-14 {
                return (z > 0.0).then(|| Point2::new(model.cx_px, model.cy_px));
            }
            let bent = kannala(model, angle);
            Some(Point2::new(
                model.cx_px + model.fx_px * bent * (x / across),
                model.cy_px + model.fy_px * bent * (y / across),
            ))
        }
    }
}

fn brown(m: &BrownConrady, a: f64, b: f64) -> Point2<f64> {
    let (aa, bb, ab) = (a * a, b * b, a * b);
    let rr = aa + bb;
    let swell = 1.0 + m.k1 * rr + m.k2 * rr * rr + m.k3 * rr * rr * rr;
    let a_bent = a * swell + 2.0 * m.p1 * ab + m.p2 * (rr + 2.0 * aa);
    let b_bent = b * swell + m.p1 * (rr + 2.0 * bb) + 2.0 * m.p2 * ab;
    Point2::new(m.cx_px + m.fx_px * a_bent, m.cy_px + m.fy_px * b_bent)
}

fn kannala(m: &KannalaBrandt, angle: f64) -> f64 {
    let q = angle * angle;
    angle
        + angle * q * m.k1
        + angle * q * q * m.k2
        + angle * q * q * q * m.k3
        + angle * q.powi(4) * m.k4
}

/// The ray through a pixel as `(x/z, y/z)`: inverse of [`project`] for points in front of the camera, by
/// bisection along the radius followed by corrections until the pixel comes back; `None` beyond the
/// lens's domain.
pub fn slopes_from_pixel(lens: &Lens, pixel: &Point2<f64>) -> Option<Point2<f64>> {
    match lens {
        Lens::BrownConrady(m) => {
            let goal = Point2::new((pixel.x - m.cx_px) / m.fx_px, (pixel.y - m.cy_px) / m.fy_px);
            let mut slope = goal;
            for _ in 0..60 {
                let reached = brown(m, slope.x, slope.y);
                let miss_x = (pixel.x - reached.x) / m.fx_px;
                let miss_y = (pixel.y - reached.y) / m.fy_px;
                // A chord step with the radial slope of the model keeps the iteration contracting.
                let rr = slope.x * slope.x + slope.y * slope.y;
                let steep =
                    (1.0 + rr * (3.0 * m.k1 + rr * (5.0 * m.k2 + rr * 7.0 * m.k3))).max(0.2);
                let round = (1.0 + rr * (m.k1 + rr * (m.k2 + rr * m.k3))).max(0.2);
                let (ux, uy) = if rr > 1e-18 {
                    (slope.x / rr.sqrt(), slope.y / rr.sqrt())
                } else {
                    (1.0, 0.0)
                };
                let radial = miss_x * ux + miss_y * uy;
                slope.x += radial * ux / steep + (miss_x - radial * ux) / round;
                slope.y += radial * uy / steep + (miss_y - radial * uy) / round;
                if miss_x.abs() + miss_y.abs() < 1e-15 {
                    break;
                }
            }
            let reached = brown(m, slope.x, slope.y);
            let miss = (reached - pixel).norm();
            (miss < 1e-7 && slope.x.is_finite() && slope.y.is_finite()).then_some(slope)
        }
        Lens::KannalaBrandt(m) => {
            let a = (pixel.x - m.cx_px) / m.fx_px;
            let b = (pixel.y - m.cy_px) / m.fy_px;
            let bent = (a * a + b * b).sqrt();
            if bent < 1e-14 {
                return Some(Point2::new(0.0, 0.0));
            }
            let (mut low, mut high) = (0.0, 1.5);
            if kannala(m, high) < bent {
                return None;
            }
            for _ in 0..60 {
                let middle = f64::midpoint(low, high);
                if kannala(m, middle) < bent {
                    low = middle;
                } else {
                    high = middle;
                }
            }
            let along = f64::midpoint(low, high).tan() / bent;
            Some(Point2::new(a * along, b * along))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn published_value_of_zhang() {
        // Z. Zhang, MSR-TR-98-71: (40, 70, 800) → (345.5060273, 279.2636757) px with his final lens; his skew
        // γ = 0.204494, which this model lacks, is added.
        let mut lens = BrownConrady::pinhole(832.5, 303.959, 206.585);
        (lens.fy_px, lens.k1, lens.k2) = (832.53, -0.228_601, 0.190_353);
        let pixel = project(&Lens::BrownConrady(lens), &Point3::new(40.0, 70.0, 800.0)).unwrap();
        let skew = 0.204_494 * (pixel.y - 206.585) / 832.53;
        assert!((pixel.x + skew - 345.506_027_3).abs() < 1e-6);
        assert!((pixel.y - 279.263_675_7).abs() < 1e-6);
    }

    #[test]
    fn rays_come_back() {
        let mut brown = BrownConrady::pinhole(1500.0, 960.0, 540.0);
        (brown.k1, brown.k2, brown.p1, brown.p2) = (-0.09, 0.06, 0.0004, -0.0005);
        let wide = KannalaBrandt {
            fx_px: 620.0,
            fy_px: 618.0,
            cx_px: 957.0,
            cy_px: 541.0,
            k1: -0.02,
            k2: 0.004,
            k3: -0.002,
            k4: 0.0003,
        };
        for lens in [Lens::BrownConrady(brown), Lens::KannalaBrandt(wide)] {
            for (x, y) in [(0.0, 0.0), (0.3, -0.2), (-0.6, 0.35), (0.55, 0.4)] {
                let pixel = project(&lens, &Point3::new(x * 3.0, y * 3.0, 3.0)).unwrap();
                let slopes = slopes_from_pixel(&lens, &pixel).unwrap();
                assert!(
                    (slopes.x - x).abs() + (slopes.y - y).abs() < 1e-9,
                    "{lens:?} {x} {y}"
                );
            }
        }
    }
}
