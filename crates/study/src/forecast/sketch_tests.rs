//! Sketches: cameras look where they should; what cannot be is refused.

use super::*;

#[test]
fn cameras_look_at_the_archer_the_right_way_up() {
    for rotation_deg in [0, 90, 180, 270] {
        let mut sketch = two_phones();
        for camera in &mut sketch.cameras {
            camera.rotation_deg = rotation_deg;
        }
        sketch.cameras[0].place = Place::Overhead;
        sketch.cameras[0].height_m = 4.0;
        let aim = Point3::from(AIM);
        for camera in sketch.cameras() {
            let pixel = camera.pixel_from_range(&aim).unwrap();
            assert!((pixel.x - 959.5).abs() < 1e-6 && (pixel.y - 539.5).abs() < 1e-6);
        }
        // From 3 o'clock the target is on the right; the shown picture has z up.
        let three = &sketch.cameras()[1];
        let step = |d: Vector3<f64>| {
            three.pixel_from_range(&(aim + d * 0.1)).unwrap()
                - three.pixel_from_range(&aim).unwrap()
        };
        let turn = f64::from(rotation_deg).to_radians();
        let shown = |v: nalgebra::Vector2<f64>| nalgebra::Rotation2::new(turn) * v;
        assert!(shown(step(Vector3::x())).x > 10.0, "{rotation_deg}");
        assert!(shown(step(Vector3::z())).y < -10.0, "{rotation_deg}");
    }
}

#[test]
fn what_is_written_is_read_and_the_rest_refused() {
    let sketch = two_phones();
    let text = sketch.to_yaml().unwrap();
    assert_eq!(RigSketch::from_yaml(&text).unwrap(), sketch);
    let wrong = text.replacen("height_m: 1.3", "hight_m: 1.3", 1);
    let message = RigSketch::from_yaml(&wrong).unwrap_err().to_string();
    assert!(
        message.contains("hight_m") && message.contains("line"),
        "{message}"
    );
    let twice = text.replacen("name: three", "name: five", 1);
    assert!(matches!(
        RigSketch::from_yaml(&twice),
        Err(StudyError::Name { .. })
    ));
    let other = text.replacen("sketch/1", "sketch/2", 1);
    assert!(matches!(
        RigSketch::from_yaml(&other),
        Err(StudyError::Format { .. })
    ));
    let slow = text.replacen("exposure_s: 0.002", "exposure_s: 0.2", 1);
    assert!(matches!(
        RigSketch::from_yaml(&slow),
        Err(StudyError::Value { .. })
    ));
}
