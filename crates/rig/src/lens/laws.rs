//! Every lens passes the same laws.
use super::*;
use approx::assert_relative_eq;
use nalgebra::Vector3;
use proptest::prelude::*;

fn lenses() -> Vec<Lens> {
    vec![
        Lens::BrownConrady(BrownConrady::pinhole(1500.0, 959.5, 539.5)),
        Lens::BrownConrady(BrownConrady {
            fx_px: 533.5,
            fy_px: 532.1,
            cx_px: 341.6,
            cy_px: 235.2,
            k1: -0.288,
            k2: 0.097,
            k3: -0.004,
            p1: 0.0011,
            p2: -0.0003,
        }),
        Lens::KannalaBrandt(KannalaBrandt {
            fx_px: 620.0,
            fy_px: 618.0,
            cx_px: 957.0,
            cy_px: 541.0,
            k1: -0.02,
            k2: 0.004,
            k3: -0.002,
            k4: 0.0003,
        }),
    ]
}

proptest! {
    #[test]
    fn a_ray_comes_back(x in -0.6f64..0.6, y in -0.45f64..0.45, z in 0.3f64..20.0) {
        for lens in lenses() {
            let point = Point3::new(x * z, y * z, z);
            let pixel = lens.pixel_from_camera(&point).unwrap();
            let ray = lens.ray_from_pixel(&pixel).unwrap();
            assert_relative_eq!(ray.into_inner(), point.coords.normalize(), epsilon = 1e-9);
        }
    }

    #[test]
    fn derivatives_agree(x in -0.6f64..0.6, y in -0.45f64..0.45, z in 0.3f64..20.0) {
        for lens in lenses() {
            let point = Point3::new(x * z, y * z, z);
            let projection = lens.project(&point).unwrap();
            for k in 0..3 {
                let h = 1e-6 * z;
                let step = Vector3::ith(k, h);
                let ahead = lens.pixel_from_camera(&(point + step)).unwrap();
                let back = lens.pixel_from_camera(&(point - step)).unwrap();
                let numeric = (ahead - back) / (2.0 * h);
                assert_relative_eq!(numeric, projection.pixel_by_point.column(k).into_owned(), epsilon = 1e-3, max_relative = 1e-5);
            }
            let p = lens.parameters();
            for k in 0..p.len() {
                let h = 1e-6 * p[k].abs().max(1.0);
                let moved = |sign: f64| {
                    let mut q = p.clone();
                    q[k] += sign * h;
                    lens.with_parameters(&q).unwrap().pixel_from_camera(&point).unwrap()
                };
                let numeric = (moved(1.0) - moved(-1.0)) / (2.0 * h);
                assert_relative_eq!(numeric, projection.pixel_by_parameters.column(k).into_owned(), epsilon = 1e-4, max_relative = 1e-5);
            }
        }
    }
}

#[test]
fn on_the_axis() {
    for lens in lenses() {
        let p = lens.parameters();
        let projection = lens.project(&Point3::new(0.0, 0.0, 2.0)).unwrap();
        assert_relative_eq!(projection.pixel, Point2::new(p[2], p[3]), epsilon = 1e-12);
        assert_relative_eq!(
            projection.pixel_by_point[(0, 0)],
            p[0] / 2.0,
            epsilon = 1e-9
        );
        let ray = lens.ray_from_pixel(&Point2::new(p[2], p[3])).unwrap();
        assert_relative_eq!(ray.into_inner(), Vector3::z(), epsilon = 1e-12);
    }
}

#[test]
fn behind_the_camera_a_pinhole_sees_nothing() {
    for lens in &lenses()[..2] {
        assert!(lens.project(&Point3::new(0.1, 0.1, -1.0)).is_none());
        assert!(lens.project(&Point3::new(0.1, 0.1, 0.0)).is_none());
    }
}

#[test]
fn where_distortion_folds_back_there_is_no_pixel() {
    // k1 = −0.5 turns at r² = 2/3: a point further out would land inside the picture.
    let mut model = BrownConrady::pinhole(500.0, 0.0, 0.0);
    model.k1 = -0.5;
    let lens = Lens::BrownConrady(model);
    assert!(lens.project(&Point3::new(0.8, 0.0, 1.0)).is_some());
    assert!(lens.project(&Point3::new(0.9, 0.0, 1.0)).is_none());
    assert!(lens.ray_from_pixel(&Point2::new(400.0, 0.0)).is_none());
}

#[test]
fn published_projection_zhang() {
    // Z. Zhang, "A flexible new technique for camera calibration", MSR-TR-98-71: his final lens; the value
    // for (40, 70, 800) follows from his model with skew γ = 0.204494, which this model lacks: γ·b' added.
    let model = BrownConrady {
        fx_px: 832.5,
        fy_px: 832.53,
        cx_px: 303.959,
        cy_px: 206.585,
        k1: -0.228_601,
        k2: 0.190_353,
        k3: 0.0,
        p1: 0.0,
        p2: 0.0,
    };
    let pixel = Lens::BrownConrady(model)
        .pixel_from_camera(&Point3::new(40.0, 70.0, 800.0))
        .unwrap();
    let skew = 0.204_494 * (pixel.y - 206.585) / 832.53;
    assert_relative_eq!(pixel.x + skew, 345.506_027_3, epsilon = 1e-6);
    assert_relative_eq!(pixel.y, 279.263_675_7, epsilon = 1e-6);
}
