//! The board in one picture. Together with [`crate::lens_start`] the only place that calls `OpenCV`.

use crate::corner_order::GridShape;
use crate::corner_quality::{Quality, measure};
use crate::{Board, CalibrationError, grid_growth, saddle_screen, square_colours};
use drawarc_footage::Plane;
use nalgebra::Point2;
use opencv::core::{Mat, Point2f, Size, TermCriteria, TermCriteria_Type, Vector};
use opencv::{calib3d, imgproc, prelude::*};

/// A borrowed 8-bit grey picture without padding, row by row.
#[derive(Debug, Clone, Copy)]
pub struct GrayView<'a> {
    width_px: u32,
    height_px: u32,
    data: &'a [u8],
}

impl<'a> GrayView<'a> {
    /// Wraps `data`; `None` where its length is not `width_px × height_px`, or the picture is empty.
    pub fn new(width_px: u32, height_px: u32, data: &'a [u8]) -> Option<Self> {
        let expected = usize::try_from(u64::from(width_px) * u64::from(height_px)).ok()?;
        (expected > 0 && data.len() == expected).then_some(Self {
            width_px,
            height_px,
            data,
        })
    }

    /// The samples of an 8-bit plane; `None` where it is deeper or empty.
    pub fn of_plane(plane: &'a Plane) -> Option<Self> {
        let width_px = u32::try_from(plane.width()).ok()?;
        let height_px = u32::try_from(plane.height()).ok()?;
        Self::new(width_px, height_px, plane.as_u8()?)
    }

    fn of_mat(picture: &'a Mat) -> Option<Self> {
        let width_px = u32::try_from(picture.cols()).ok()?;
        let height_px = u32::try_from(picture.rows()).ok()?;
        Self::new(width_px, height_px, picture.data_bytes().ok()?)
    }

    /// Columns.
    pub fn width_px(&self) -> u32 {
        self.width_px
    }

    /// Rows.
    pub fn height_px(&self) -> u32 {
        self.height_px
    }

    /// The pixels, row by row.
    pub fn data(&self) -> &'a [u8] {
        self.data
    }

    /// Bilinear grey level; the border's value outside.
    pub fn sample(&self, at: Point2<f64>) -> f64 {
        let clamp = |value: f64, size: u32| value.clamp(0.0, f64::from(size - 1));
        let (x, y) = (clamp(at.x, self.width_px), clamp(at.y, self.height_px));
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "clamped to the picture, so within usize and not negative"
        )]
        let (x0, y0) = (x as usize, y as usize);
        let (width, height) = (self.width_px as usize, self.height_px as usize);
        let (x1, y1) = ((x0 + 1).min(width - 1), (y0 + 1).min(height - 1));
        let (fx, fy) = (x - x0 as f64, y - y0 as f64);
        let grey = |column: usize, row: usize| f64::from(self.data[row * width + column]);
        (1.0 - fy) * ((1.0 - fx) * grey(x0, y0) + fx * grey(x1, y0))
            + fy * ((1.0 - fx) * grey(x0, y1) + fx * grey(x1, y1))
    }
}

/// How hard to look.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Effort {
    /// On a picture shrunk by this factor, with a quick refusal of pictures without a board.
    Quick {
        /// Shrinking factor (1 = full size).
        shrink: u32,
    },
    /// At full size, without the quick refusal; slower on pictures without a board.
    Thorough,
    /// The sector-based search, for small, tilted or unevenly lit boards; slowest.
    Exhaustive,
}

/// The corners of one picture.
#[derive(Debug, Clone, PartialEq)]
pub struct BoardCorners {
    /// All inner corners in the order of [`Board::corners`] (px).
    pub corners_px: Vec<Point2<f64>>,
    /// Standard deviation of one corner, per axis, as the picture's noise and contrast suggest (px).
    pub corner_sd_px: f64,
    /// Width of the edges between squares (px, 10 to 90 %).
    pub edge_width_px: f64,
}

/// Finds one board in pictures.
#[derive(Debug, Clone)]
pub struct BoardDetector {
    shape: GridShape,
}

/// Half-window of the corner refinement as a share of the distance to the nearest neighbour: no neighbouring
/// corner may enter, and a tilted board's squares are narrow (half-windows over this ruin view 02 of the
/// stereo photographs).
const WINDOW_SHARE: f64 = 0.4;
/// Half-window limits (px).
const WINDOW_PX: (i32, i32) = (2, 8);
/// Refinement may move a corner by this share of the distance to its nearest neighbour, no more.
const MOVE_SHARE: f64 = 0.35;
/// Refinement ends at this step (px) or after this many steps.
const REFINE_END_PX: f64 = 1e-4;
const REFINE_STEPS: i32 = 60;

fn vision(error: &opencv::Error) -> CalibrationError {
    CalibrationError::Vision {
        message: error.message.clone(),
    }
}

impl BoardDetector {
    /// A detector for `board`.
    pub fn new(board: &Board) -> Self {
        Self {
            shape: GridShape {
                columns: board.columns,
                rows: board.rows,
            },
        }
    }

    /// The first of `sizes` (columns and rows) of which a board is in the picture, shrunk by a factor.
    ///
    /// # Errors
    /// [`CalibrationError::Vision`] where `OpenCV` fails.
    pub(crate) fn size_among(
        sizes: &[(usize, usize)],
        picture: GrayView<'_>,
        shrink: u32,
    ) -> Result<Option<(usize, usize)>, CalibrationError> {
        let small = shrunk(picture, shrink).map_err(|error| vision(&error))?;
        let Some(view) = GrayView::of_mat(&small) else {
            return Ok(None);
        };
        let of_size = |(columns, rows)| Self {
            shape: GridShape { columns, rows },
        };
        let saddles = saddle_screen::saddles(view);
        let found = grid_growth::grow_any(&saddles, sizes, |size, grid| {
            let seen = of_size(size).shape.resolve(grid, |at| view.sample(at));
            seen.is_some()
        });
        let Some((size, grid)) = found else {
            return Ok(None);
        };
        let rough = whole_scale(grid, view, picture);
        let detector = of_size(size);
        Ok(detector.told_apart(picture, &rough)?.map(|_| size))
    }

    /// Looks for the whole board; `None` where it is not in the picture, or its ends cannot be told apart.
    ///
    /// # Errors
    /// [`CalibrationError::Vision`] where `OpenCV` fails.
    pub fn detect(
        &self,
        picture: GrayView<'_>,
        effort: Effort,
    ) -> Result<Option<BoardCorners>, CalibrationError> {
        let rough = self.find(picture, effort).map_err(|error| vision(&error))?;
        rough.map_or(Ok(None), |rough| self.told_apart(picture, &rough))
    }

    /// The corners refined and in the board's order; `None` where they run away or the board's ends cannot be told apart.
    fn told_apart(
        &self,
        picture: GrayView<'_>,
        rough: &[Point2<f64>],
    ) -> Result<Option<BoardCorners>, CalibrationError> {
        let Some(refined) = self
            .refine(picture, rough)
            .map_err(|error| vision(&error))?
        else {
            return Ok(None);
        };
        let grey = |at| picture.sample(at);
        let resolved = self
            .shape
            .resolve(&refined, grey)
            .filter(|corners| square_colours::every_corner_shows(self.shape, corners, grey));
        Ok(resolved.map(|corners_px| {
            let Quality {
                corner_sd_px,
                edge_width_px,
            } = measure(picture, self.shape, &corners_px);
            BoardCorners {
                corners_px,
                corner_sd_px,
                edge_width_px,
            }
        }))
    }

    fn find(
        &self,
        picture: GrayView<'_>,
        effort: Effort,
    ) -> opencv::Result<Option<Vec<Point2<f64>>>> {
        let full = mat_of(picture)?;
        let size = Size::new(count(self.shape.columns), count(self.shape.rows));
        let mut found = Vector::<Point2f>::new();
        let flags = calib3d::CALIB_CB_ADAPTIVE_THRESH | calib3d::CALIB_CB_NORMALIZE_IMAGE;
        let (seen, scale) = match effort {
            Effort::Quick { shrink } => return self.grown(picture, shrink.max(1)),
            Effort::Thorough => {
                let seen = calib3d::find_chessboard_corners(&full, size, &mut found, flags)?;
                (seen, (1.0, 1.0))
            }
            Effort::Exhaustive => {
                let flags = calib3d::CALIB_CB_NORMALIZE_IMAGE | calib3d::CALIB_CB_ACCURACY;
                let seen = calib3d::find_chessboard_corners_sb(&full, size, &mut found, flags)?;
                (seen, (1.0, 1.0))
            }
        };
        if !seen || found.len() != self.shape.columns * self.shape.rows {
            return Ok(None);
        }
        Ok(Some(
            found
                .iter()
                .map(|p| {
                    Point2::new(
                        (f64::from(p.x) + 0.5) * scale.0 - 0.5,
                        (f64::from(p.y) + 0.5) * scale.1 - 0.5,
                    )
                })
                .collect(),
        ))
    }

    /// Grows the grid from saddle points.
    fn grown(
        &self,
        picture: GrayView<'_>,
        shrink: u32,
    ) -> opencv::Result<Option<Vec<Point2<f64>>>> {
        let small = shrunk(picture, shrink)?;
        let Some(view) = GrayView::of_mat(&small) else {
            return Ok(None);
        };
        let saddles = saddle_screen::saddles(view);
        let is_board = |grid: &[Point2<f64>]| {
            let seen = self.shape.resolve(grid, |at| view.sample(at));
            seen.is_some()
        };
        let size = (self.shape.columns, self.shape.rows);
        let grid = grid_growth::grow(&saddles, size, is_board);
        Ok(grid.map(|grid| whole_scale(grid, view, picture)))
    }

    /// Refines every corner with a window of its own; `None` where one runs away or leaves the picture.
    fn refine(
        &self,
        picture: GrayView<'_>,
        rough: &[Point2<f64>],
    ) -> opencv::Result<Option<Vec<Point2<f64>>>> {
        let full = mat_of(picture)?;
        let criteria = TermCriteria::new(
            TermCriteria_Type::COUNT as i32 | TermCriteria_Type::EPS as i32,
            REFINE_STEPS,
            REFINE_END_PX,
        )?;
        let mut refined = Vec::with_capacity(rough.len());
        for (index, start) in rough.iter().enumerate() {
            let nearest = self.shape.nearest_neighbour_px(rough, index);
            #[expect(clippy::cast_possible_truncation, reason = "clamped to a few pixels")]
            let half = ((nearest * WINDOW_SHARE).round() as i32).clamp(WINDOW_PX.0, WINDOW_PX.1);
            let margin = f64::from(half) + 1.0;
            let inside = start.x > margin
                && start.y > margin
                && start.x < f64::from(picture.width_px) - 1.0 - margin
                && start.y < f64::from(picture.height_px) - 1.0 - margin;
            if !inside {
                return Ok(None);
            }
            #[expect(clippy::cast_possible_truncation, reason = "OpenCV refines in f32")]
            let mut corner =
                Vector::<Point2f>::from_iter([Point2f::new(start.x as f32, start.y as f32)]);
            imgproc::corner_sub_pix(
                &full,
                &mut corner,
                Size::new(half, half),
                Size::new(-1, -1),
                criteria,
            )?;
            let end = corner.get(0)?;
            let end = Point2::new(f64::from(end.x), f64::from(end.y));
            if (end - start).norm() > (nearest * MOVE_SHARE).max(1.5) {
                return Ok(None);
            }
            refined.push(end);
        }
        Ok(Some(refined))
    }
}

fn count(value: usize) -> i32 {
    i32::try_from(value).unwrap_or(i32::MAX)
}

fn mat_of(picture: GrayView<'_>) -> opencv::Result<opencv::boxed_ref::BoxedRef<'_, Mat>> {
    let rows = i32::try_from(picture.height_px).unwrap_or(i32::MAX);
    let columns = i32::try_from(picture.width_px).unwrap_or(i32::MAX);
    Mat::new_rows_cols_with_data(rows, columns, picture.data)
}

fn shrunk(picture: GrayView<'_>, shrink: u32) -> opencv::Result<Mat> {
    let mut small = Mat::default();
    let factor = 1.0 / f64::from(shrink);
    imgproc::resize(
        &mat_of(picture)?,
        &mut small,
        Size::new(0, 0),
        factor,
        factor,
        imgproc::INTER_AREA,
    )?;
    Ok(small)
}

/// From a shrunk picture to the whole one.
fn whole_scale(
    grid: Vec<Point2<f64>>,
    small: GrayView<'_>,
    whole: GrayView<'_>,
) -> Vec<Point2<f64>> {
    let sx = f64::from(whole.width_px) / f64::from(small.width_px);
    let sy = f64::from(whole.height_px) / f64::from(small.height_px);
    grid.into_iter()
        .map(|p| Point2::new((p.x + 0.5) * sx - 0.5, (p.y + 0.5) * sy - 0.5))
        .collect()
}
