use crate::error::FootageError;
use crate::plane::{Plane, PlaneView};

/// How chroma and luma make up a colour.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum ColourMatrix {
    /// ITU-R BT.601: small pictures, JPEG.
    Bt601,
    /// ITU-R BT.709: HD video, the usual case.
    #[default]
    Bt709,
    /// ITU-R BT.2020, non-constant luminance: HDR video.
    Bt2020,
}

impl ColourMatrix {
    /// Weights of red and blue in the luma (green has the rest). Source: ITU-R BT.601-7 section 2.5.1, BT.709-6
    /// item 3.2, BT.2020-2 table 4.
    pub(crate) fn weights(self) -> (f32, f32) {
        match self {
            Self::Bt601 => (0.299, 0.114),
            Self::Bt709 => (0.2126, 0.0722),
            Self::Bt2020 => (0.2627, 0.0593),
        }
    }
}

/// A picture in place: luma at full size, chroma at half size in both directions (sizes rounded up).
#[derive(Debug, Clone, Copy)]
pub struct PictureView<'a> {
    /// Brightness.
    pub luma: PlaneView<'a>,
    /// Blue difference.
    pub cb: PlaneView<'a>,
    /// Red difference.
    pub cr: PlaneView<'a>,
    /// Bits a sample: 8 or 10.
    pub bit_depth: u8,
    /// Luma runs over the whole range (0 to 255) instead of 16 to 235 (and so on for 10 bit).
    pub full_range: bool,
    /// How the planes make up a colour.
    pub matrix: ColourMatrix,
}

impl PictureView<'_> {
    /// Width of the luma plane.
    pub fn width(&self) -> usize {
        self.luma.width()
    }

    /// Height of the luma plane.
    pub fn height(&self) -> usize {
        self.luma.height()
    }

    /// A copy with its own memory.
    pub fn to_picture(&self) -> Picture {
        Picture {
            luma: self.luma.to_plane(),
            cb: self.cb.to_plane(),
            cr: self.cr.to_plane(),
            bit_depth: self.bit_depth,
            full_range: self.full_range,
            matrix: self.matrix,
        }
    }
}

/// A picture with its own memory.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Picture {
    /// Brightness.
    pub luma: Plane,
    /// Blue difference, half size.
    pub cb: Plane,
    /// Red difference, half size.
    pub cr: Plane,
    /// Bits a sample: 8 or 10.
    pub bit_depth: u8,
    /// Luma runs over the whole range instead of 16 to 235 (times 4 for 10 bit).
    pub full_range: bool,
    /// How the planes make up a colour.
    pub matrix: ColourMatrix,
}

impl Picture {
    /// A black picture of video range, BT.709.
    ///
    /// `bit_depth` is 8 or 10; anything above 8 gives 10.
    pub fn new(width: u32, height: u32, bit_depth: u8) -> Self {
        let bit_depth = if bit_depth <= 8 { 8 } else { 10 };
        let scale = 1_u16 << (bit_depth - 8);
        let (width, height) = (width as usize, height as usize);
        let chroma = Plane::filled(
            width.div_ceil(2),
            height.div_ceil(2),
            bit_depth,
            128 * scale,
        );
        Self {
            luma: Plane::filled(width, height, bit_depth, 16 * scale),
            cb: chroma.clone(),
            cr: chroma,
            bit_depth,
            full_range: false,
            matrix: ColourMatrix::default(),
        }
    }

    /// A gray picture (full range) from 8-bit luma.
    ///
    /// # Errors
    /// [`FootageError::Shape`] unless there are `width × height` bytes.
    pub fn from_gray8(width: u32, height: u32, luma: Vec<u8>) -> Result<Self, FootageError> {
        let mut picture = Self::new(width, height, 8);
        let (found, expected) = (luma.len(), width as usize * height as usize);
        picture.luma =
            Plane::from_u8(width as usize, height as usize, luma).ok_or(FootageError::Shape {
                what: "luma",
                width_px: width,
                height_px: height,
                found,
                expected,
            })?;
        picture.full_range = true;
        Ok(picture)
    }

    /// Width of the luma plane.
    pub fn width(&self) -> usize {
        self.luma.width()
    }

    /// Height of the luma plane.
    pub fn height(&self) -> usize {
        self.luma.height()
    }

    /// The picture in place.
    ///
    /// # Panics
    /// If a sample vector was shortened.
    pub fn view(&self) -> PictureView<'_> {
        PictureView {
            luma: self.luma.view(),
            cb: self.cb.view(),
            cr: self.cr.view(),
            bit_depth: self.bit_depth,
            full_range: self.full_range,
            matrix: self.matrix,
        }
    }
}
