//! The rig file: `format: drawarc-rig/1`.

use crate::{Camera, ImageSize, Lens, Level, RangeFrame, Rig, RigError, Shutter, SurveySummary};
use nalgebra::{DMatrix, Isometry3, Quaternion, Translation3, UnitQuaternion};
use serde::{Deserialize, Serialize};
use std::path::Path;

const FORMAT: &str = "drawarc-rig/1";

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct RigFile {
    format: String,
    range_frame: RangeFrame,
    level: Level,
    cameras: Vec<CameraFile>,
    survey: SurveySummary,
    /// Lower triangle, row by row.
    covariance: Vec<f64>,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct CameraFile {
    name: String,
    image_size: ImageSize,
    #[serde(default)]
    rotation_deg: u16,
    lens: Lens,
    shutter: Shutter,
    camera_from_range: PoseFile,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct PoseFile {
    /// Unit quaternion, scalar first.
    quaternion_wxyz: [f64; 4],
    translation_m: [f64; 3],
}

#[derive(Deserialize)]
struct FormatOnly {
    format: String,
}

impl Rig {
    /// The rig file as text.
    ///
    /// # Errors
    /// [`RigError`] where [`Rig::validate`] refuses.
    pub fn to_yaml(&self) -> Result<String, RigError> {
        self.validate()?;
        let n = self.parameter_count();
        let file = RigFile {
            format: FORMAT.to_owned(),
            range_frame: self.range_frame.clone(),
            level: self.level,
            cameras: self.cameras.iter().map(CameraFile::from).collect(),
            survey: self.survey.clone(),
            covariance: (0..n)
                .flat_map(|row| (0..=row).map(move |column| (row, column)))
                .map(|at| self.covariance[at])
                .collect(),
        };
        serde_yaml::to_string(&file).map_err(|source| RigError::Syntax {
            message: source.to_string(),
        })
    }

    /// Reads the text of a rig file.
    ///
    /// # Errors
    /// [`RigError`] naming field, line and column, or the number that cannot be.
    pub fn from_yaml(text: &str) -> Result<Self, RigError> {
        let syntax = |source: serde_yaml::Error| RigError::Syntax {
            message: source.to_string(),
        };
        let head: FormatOnly = serde_yaml::from_str(text).map_err(syntax)?;
        if head.format != FORMAT {
            return Err(RigError::Format {
                found: head.format,
                expected: FORMAT,
            });
        }
        let file: RigFile = serde_yaml::from_str(text).map_err(syntax)?;
        let cameras: Vec<Camera> = file
            .cameras
            .into_iter()
            .map(Camera::try_from)
            .collect::<Result<_, _>>()?;
        let n: usize = cameras.iter().map(Camera::parameter_count).sum();
        let expected = n * (n + 1) / 2;
        if file.covariance.len() != expected {
            return Err(RigError::Covariance {
                found: file.covariance.len(),
                expected,
            });
        }
        let covariance = DMatrix::from_fn(n, n, |row, column| {
            let (long, short) = (row.max(column), row.min(column));
            file.covariance[long * (long + 1) / 2 + short]
        });
        let rig = Self {
            cameras,
            range_frame: file.range_frame,
            level: file.level,
            survey: file.survey,
            covariance,
        };
        rig.validate()?;
        Ok(rig)
    }

    /// Reads a rig file.
    ///
    /// # Errors
    /// [`RigError::File`] where it cannot be opened, else as [`Rig::from_yaml`].
    pub fn read(path: &Path) -> Result<Self, RigError> {
        let text = std::fs::read_to_string(path).map_err(|source| RigError::File {
            path: path.to_owned(),
            source,
        })?;
        Self::from_yaml(&text)
    }
}

impl From<&Camera> for CameraFile {
    fn from(camera: &Camera) -> Self {
        let rotation = camera.camera_from_range.rotation;
        let translation = camera.camera_from_range.translation.vector;
        Self {
            name: camera.name.clone(),
            image_size: camera.image_size,
            rotation_deg: camera.rotation_deg,
            lens: camera.lens,
            shutter: camera.shutter,
            camera_from_range: PoseFile {
                quaternion_wxyz: [rotation.w, rotation.i, rotation.j, rotation.k],
                translation_m: translation.into(),
            },
        }
    }
}

impl TryFrom<CameraFile> for Camera {
    type Error = RigError;

    fn try_from(file: CameraFile) -> Result<Self, RigError> {
        let [w, i, j, k] = file.camera_from_range.quaternion_wxyz;
        let quaternion = Quaternion::new(w, i, j, k);
        let off_unit = (quaternion.norm() - 1.0).abs();
        if off_unit.is_nan() || off_unit >= 1e-6 {
            return Err(RigError::Value {
                camera: file.name,
                what: "length of quaternion_wxyz",
                value: quaternion.norm(),
            });
        }
        let camera = Self {
            name: file.name,
            image_size: file.image_size,
            rotation_deg: file.rotation_deg,
            lens: file.lens,
            shutter: file.shutter,
            camera_from_range: Isometry3::from_parts(
                Translation3::from(file.camera_from_range.translation_m),
                UnitQuaternion::new_normalize(quaternion),
            ),
        };
        camera.validate()?;
        Ok(camera)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::BrownConrady;
    use nalgebra::Vector6;

    fn rig() -> Rig {
        let camera = |name: &str, x: f64| Camera {
            name: name.to_owned(),
            image_size: ImageSize {
                width_px: 1920,
                height_px: 1080,
            },
            rotation_deg: 90,
            lens: Lens::BrownConrady(BrownConrady::pinhole(1500.0 + x, 959.5, 539.5)),
            shutter: Shutter::rolling(0.018, 0.002),
            camera_from_range: crate::exp(&Vector6::new(x, 0.2, -1.0, 0.1, x, 3.0)),
        };
        let covariance = DMatrix::from_fn(32, 32, |row, column| {
            1e-6 / (1.0 + (row.abs_diff(column)) as f64)
        });
        Rig {
            cameras: vec![camera("five", 0.3), camera("three", -0.7)],
            range_frame: RangeFrame::BoardOnLine { views: 12 },
            level: Level::AssumedFromBoard,
            survey: SurveySummary {
                residual_px: vec![0.11, 0.12],
                views: vec![30, 28],
                corner_sd_px: vec![0.1, 0.1],
                ended: "the cost no longer falls".to_owned(),
                scale_sd_percent: 0.05,
                remarks: vec![],
            },
            covariance,
        }
    }

    #[test]
    fn what_is_written_is_read() {
        let rig = rig();
        let back = Rig::from_yaml(&rig.to_yaml().unwrap()).unwrap();
        assert!((back.covariance.clone() - &rig.covariance).abs().max() < 1e-15);
        for (a, b) in rig.cameras.iter().zip(&back.cameras) {
            let apart = a.camera_from_range.inverse() * b.camera_from_range;
            assert!(crate::log(&apart).norm() < 1e-12);
            assert_eq!((a.lens, &a.name, a.shutter), (b.lens, &b.name, b.shutter));
        }
        assert_eq!(rig.survey, back.survey);
    }

    #[test]
    fn an_unknown_field_is_refused_with_its_line() {
        let text = rig()
            .to_yaml()
            .unwrap()
            .replacen("rotation_deg", "rotaton", 1);
        let message = Rig::from_yaml(&text).unwrap_err().to_string();
        assert!(
            message.contains("rotaton") && message.contains("line"),
            "{message}"
        );
    }

    #[test]
    fn nan_and_another_version_are_refused() {
        let text = rig().to_yaml().unwrap();
        let other = text.replacen("drawarc-rig/1", "drawarc-rig/7", 1);
        assert!(matches!(
            Rig::from_yaml(&other),
            Err(RigError::Format { .. })
        ));
        let mut bad = rig();
        bad.cameras[1].shutter.exposure_s = f64::NAN;
        assert!(matches!(bad.to_yaml(), Err(RigError::Value { .. })));
        let mut twice = rig();
        twice.cameras[1].name = "five".to_owned();
        assert!(matches!(twice.to_yaml(), Err(RigError::Name { .. })));
    }
}
