use crate::error::FootageError;
use crate::picture::{ColourMatrix, Picture, PictureView};
use crate::plane::{Plane, PlaneView};

/// A picture for people: 8-bit red, green, blue, row by row.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RgbImage {
    /// Width.
    pub width_px: u32,
    /// Height.
    pub height_px: u32,
    /// `3 × width × height` bytes: red, green, blue of the top left pixel first.
    pub samples: Vec<u8>,
}

impl RgbImage {
    /// A picture of one colour.
    pub fn filled(width_px: u32, height_px: u32, colour: [u8; 3]) -> Self {
        Self {
            width_px,
            height_px,
            samples: colour.repeat(width_px as usize * height_px as usize),
        }
    }

    /// The colour at column `x`, row `y`.
    ///
    /// # Panics
    /// Outside the picture.
    pub fn get(&self, x: u32, y: u32) -> [u8; 3] {
        let at = self.offset(x, y);
        [self.samples[at], self.samples[at + 1], self.samples[at + 2]]
    }

    /// Sets the colour at column `x`, row `y`.
    ///
    /// # Panics
    /// Outside the picture.
    pub fn set(&mut self, x: u32, y: u32, colour: [u8; 3]) {
        let at = self.offset(x, y);
        self.samples[at..at + 3].copy_from_slice(&colour);
    }

    fn offset(&self, x: u32, y: u32) -> usize {
        assert!(x < self.width_px && y < self.height_px, "({x}, {y})");
        3 * (y as usize * self.width_px as usize + x as usize)
    }

    /// Checks that the samples fill the picture.
    ///
    /// # Errors
    /// [`FootageError::Shape`] if they do not, or if a side is 0.
    pub(crate) fn check(&self) -> Result<(), FootageError> {
        let expected = 3 * self.width_px as usize * self.height_px as usize;
        if self.samples.len() == expected && expected > 0 {
            return Ok(());
        }
        Err(FootageError::Shape {
            what: "RGB picture",
            width_px: self.width_px,
            height_px: self.height_px,
            found: self.samples.len(),
            expected,
        })
    }
}

/// From luma and chroma to red, green, blue of 8 bits.
struct ToRgb {
    black: f32,
    luma_gain: f32,
    middle: f32,
    red_from_cr: f32,
    green_from_cb: f32,
    green_from_cr: f32,
    blue_from_cb: f32,
}

impl ToRgb {
    fn new(matrix: ColourMatrix, bit_depth: u8, full_range: bool) -> Self {
        let scale = f32::from(1_u16 << (bit_depth - 8));
        let white = 256.0 * scale - 1.0;
        let (black, luma_gain, chroma_gain) = if full_range {
            (0.0, 255.0 / white, 255.0 / white)
        } else {
            (
                16.0 * scale,
                255.0 / (219.0 * scale),
                255.0 / (224.0 * scale),
            )
        };
        let (red, blue) = matrix.weights();
        let green = 1.0 - red - blue;
        Self {
            black,
            luma_gain,
            middle: 128.0 * scale,
            red_from_cr: 2.0 * (1.0 - red) * chroma_gain,
            green_from_cb: -2.0 * blue * (1.0 - blue) / green * chroma_gain,
            green_from_cr: -2.0 * red * (1.0 - red) / green * chroma_gain,
            blue_from_cb: 2.0 * (1.0 - blue) * chroma_gain,
        }
    }

    #[inline]
    fn pixel(&self, luma: u16, cb: u16, cr: u16) -> [u8; 3] {
        let y = (f32::from(luma) - self.black) * self.luma_gain;
        let cb = f32::from(cb) - self.middle;
        let cr = f32::from(cr) - self.middle;
        [
            byte(y + self.red_from_cr * cr),
            byte(y + self.green_from_cb * cb + self.green_from_cr * cr),
            byte(y + self.blue_from_cb * cb),
        ]
    }
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "clamped to 0..=255; the cast saturates"
)]
fn byte(value: f32) -> u8 {
    (value + 0.5).clamp(0.0, 255.0) as u8
}

impl PictureView<'_> {
    /// The picture in colour, turned clockwise by 0, 90, 180 or 270 degrees (other angles count as 0), as
    /// [`crate::Probe::rotation_deg`] asks for. Chroma is repeated, not interpolated. For people to look at; never measure in it.
    pub fn to_rgb(&self, rotation_deg: u16) -> RgbImage {
        let (width, height) = (self.width(), self.height());
        let to_rgb = ToRgb::new(self.matrix, self.bit_depth, self.full_range);
        let (wide, high) = match rotation_deg {
            90 | 270 => (height, width),
            _ => (width, height),
        };
        let mut samples = vec![0; 3 * width * height];
        for y in 0..height {
            let (luma, cb, cr) = (self.luma.row(y), self.cb.row(y / 2), self.cr.row(y / 2));
            for x in 0..width {
                let (to_x, to_y) = match rotation_deg {
                    90 => (height - 1 - y, x),
                    180 => (width - 1 - x, height - 1 - y),
                    270 => (y, width - 1 - x),
                    _ => (x, y),
                };
                let at = 3 * (to_y * wide + to_x);
                let pixel = to_rgb.pixel(luma.get(x), cb.get(x / 2), cr.get(x / 2));
                samples[at..at + 3].copy_from_slice(&pixel);
            }
        }
        RgbImage {
            width_px: u32::try_from(wide).unwrap_or(u32::MAX),
            height_px: u32::try_from(high).unwrap_or(u32::MAX),
            samples,
        }
    }
}

impl Picture {
    /// The picture in colour; see [`PictureView::to_rgb`].
    pub fn to_rgb(&self, rotation_deg: u16) -> RgbImage {
        self.view().to_rgb(rotation_deg)
    }

    /// An 8-bit picture of video range (BT.709) from colours; each chroma sample is the mean of its four pixels.
    ///
    /// # Errors
    /// [`FootageError::Shape`] unless the samples fill the picture.
    pub fn from_rgb(image: &RgbImage) -> Result<Self, FootageError> {
        image.check()?;
        let mut picture = Self::new(image.width_px, image.height_px, 8);
        let (width, height) = (picture.width(), picture.height());
        let (red, blue) = picture.matrix.weights();
        let luma_of = |at: usize| {
            let pixel = &image.samples[3 * at..3 * at + 3];
            red * f32::from(pixel[0])
                + (1.0 - red - blue) * f32::from(pixel[1])
                + blue * f32::from(pixel[2])
        };
        let luma = (0..width * height)
            .map(|at| byte(16.0 + luma_of(at) * 219.0 / 255.0))
            .collect();
        let (mut cb, mut cr) = (Vec::new(), Vec::new());
        for y in (0..height).step_by(2) {
            for x in (0..width).step_by(2) {
                let (mut blueness, mut redness, mut count) = (0.0, 0.0, 0.0);
                for (row, column) in [(y, x), (y, x + 1), (y + 1, x), (y + 1, x + 1)] {
                    if row < height && column < width {
                        let at = row * width + column;
                        let luma = luma_of(at);
                        redness += f32::from(image.samples[3 * at]) - luma;
                        blueness += f32::from(image.samples[3 * at + 2]) - luma;
                        count += 1.0;
                    }
                }
                let gain = 224.0 / 255.0 / 2.0 / count;
                cb.push(byte(128.0 + blueness * gain / (1.0 - blue)));
                cr.push(byte(128.0 + redness * gain / (1.0 - red)));
            }
        }
        let plane = |samples, like: PlaneView| Plane::from_u8(like.width(), like.height(), samples);
        if let Some(plane) = plane(luma, picture.luma.view()) {
            picture.luma = plane;
        }
        if let (Some(cb), Some(cr)) = (plane(cb, picture.cb.view()), plane(cr, picture.cr.view())) {
            picture.cb = cb;
            picture.cr = cr;
        }
        Ok(picture)
    }
}
