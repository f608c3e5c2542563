/// One plane of a picture in place: rows of 8-bit samples, or of 16-bit words that hold up to 16 bits.
///
/// Cheap to copy. `row(0)` is the top row; sample (0, 0) is centred on pixel position (0, 0).
#[derive(Debug, Clone, Copy)]
pub struct PlaneView<'a> {
    width: usize,
    height: usize,
    stride: usize,
    bit_depth: u8,
    samples: RowView<'a>,
}

/// A row of samples.
#[derive(Debug, Clone, Copy)]
pub enum RowView<'a> {
    /// 8 bits a sample.
    Eight(&'a [u8]),
    /// More than 8 bits a sample, in the low bits of a word.
    Sixteen(&'a [u16]),
}

impl<'a> RowView<'a> {
    /// Number of samples.
    pub fn len(self) -> usize {
        match self {
            Self::Eight(samples) => samples.len(),
            Self::Sixteen(samples) => samples.len(),
        }
    }

    /// Whether there is no sample.
    pub fn is_empty(self) -> bool {
        self.len() == 0
    }

    /// Sample `x`.
    ///
    /// # Panics
    /// Beyond the end of the row, as slices do.
    #[inline]
    pub fn get(self, x: usize) -> u16 {
        match self {
            Self::Eight(samples) => u16::from(samples[x]),
            Self::Sixteen(samples) => samples[x],
        }
    }

    /// The bytes, if the samples are 8-bit.
    pub fn as_u8(self) -> Option<&'a [u8]> {
        match self {
            Self::Eight(samples) => Some(samples),
            Self::Sixteen(_) => None,
        }
    }

    /// The words, if the samples have more than 8 bits.
    pub fn as_u16(self) -> Option<&'a [u16]> {
        match self {
            Self::Eight(_) => None,
            Self::Sixteen(samples) => Some(samples),
        }
    }

    fn part(self, from: usize, length: usize) -> Self {
        match self {
            Self::Eight(samples) => Self::Eight(&samples[from..from + length]),
            Self::Sixteen(samples) => Self::Sixteen(&samples[from..from + length]),
        }
    }
}

impl<'a> PlaneView<'a> {
    /// A view of `height` rows of `width` samples, `stride` samples apart. `None` if the buffer is too short or
    /// the stride smaller than the width.
    pub fn new(
        width: usize,
        height: usize,
        stride: usize,
        bit_depth: u8,
        samples: RowView<'a>,
    ) -> Option<Self> {
        let needed = match height.checked_sub(1) {
            None => 0,
            Some(above) => stride.checked_mul(above)?.checked_add(width)?,
        };
        (stride >= width && samples.len() >= needed).then_some(Self {
            width,
            height,
            stride,
            bit_depth,
            samples,
        })
    }

    /// Samples in a row.
    #[inline]
    pub fn width(self) -> usize {
        self.width
    }

    /// Rows.
    #[inline]
    pub fn height(self) -> usize {
        self.height
    }

    /// Samples from the start of a row to the start of the next.
    #[inline]
    pub fn stride(self) -> usize {
        self.stride
    }

    /// Bits a sample; the largest value is `2^bit_depth - 1`.
    #[inline]
    pub fn bit_depth(self) -> u8 {
        self.bit_depth
    }

    /// Row `y`, `width` samples.
    ///
    /// # Panics
    /// If `y` is not below the height.
    #[inline]
    pub fn row(self, y: usize) -> RowView<'a> {
        assert!(y < self.height, "row {y} of {}", self.height);
        self.samples.part(y * self.stride, self.width)
    }

    /// The sample at column `x`, row `y`.
    ///
    /// # Panics
    /// Outside the plane.
    #[inline]
    pub fn get(self, x: usize, y: usize) -> u16 {
        self.row(y).get(x)
    }

    /// A rectangle of this plane, in place; `None` if it reaches outside.
    pub fn window(self, x: usize, y: usize, width: usize, height: usize) -> Option<Self> {
        let inside = x.checked_add(width)? <= self.width && y.checked_add(height)? <= self.height;
        if !inside || height == 0 {
            return None;
        }
        let from = y * self.stride + x;
        let length = (height - 1) * self.stride + width;
        Self::new(
            width,
            height,
            self.stride,
            self.bit_depth,
            self.samples.part(from, length),
        )
    }

    /// A copy with 8 bits a sample: deeper samples lose their low bits (shifted, not rounded, so that white
    /// stays white).
    pub fn to_gray8(self) -> Plane {
        let mut samples = Vec::with_capacity(self.width * self.height);
        let shift = self.bit_depth.saturating_sub(8);
        for y in 0..self.height {
            match self.row(y) {
                RowView::Eight(row) => samples.extend_from_slice(row),
                RowView::Sixteen(row) => samples.extend(
                    row.iter()
                        .map(|&sample| u8::try_from(sample >> shift).unwrap_or(u8::MAX)),
                ),
            }
        }
        Plane {
            width: self.width,
            height: self.height,
            bit_depth: 8,
            samples: Samples::Eight(samples),
        }
    }

    /// A copy with tight rows and the same depth.
    pub fn to_plane(self) -> Plane {
        let samples = match self.samples {
            RowView::Eight(_) => Samples::Eight(
                (0..self.height)
                    .flat_map(|y| self.row(y).as_u8().unwrap_or_default())
                    .copied()
                    .collect(),
            ),
            RowView::Sixteen(_) => Samples::Sixteen(
                (0..self.height)
                    .flat_map(|y| self.row(y).as_u16().unwrap_or_default())
                    .copied()
                    .collect(),
            ),
        };
        Plane {
            width: self.width,
            height: self.height,
            bit_depth: self.bit_depth,
            samples,
        }
    }
}

/// The samples of an owned plane, row by row without padding.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Samples {
    /// 8 bits a sample.
    Eight(Vec<u8>),
    /// More than 8 bits a sample, in the low bits of a word.
    Sixteen(Vec<u16>),
}

/// One plane with its own memory: tight rows.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Plane {
    width: usize,
    height: usize,
    bit_depth: u8,
    /// `width × height` samples, row by row. Shortening this vector makes [`Plane::view`] panic.
    pub samples: Samples,
}

impl Plane {
    /// A plane of one value.
    pub fn filled(width: usize, height: usize, bit_depth: u8, value: u16) -> Self {
        let samples = if bit_depth <= 8 {
            Samples::Eight(vec![u8::try_from(value).unwrap_or(u8::MAX); width * height])
        } else {
            Samples::Sixteen(vec![value; width * height])
        };
        Self {
            width,
            height,
            bit_depth,
            samples,
        }
    }

    /// An 8-bit plane from its bytes; `None` unless there are `width × height` of them.
    pub fn from_u8(width: usize, height: usize, samples: Vec<u8>) -> Option<Self> {
        (width.checked_mul(height)? == samples.len()).then_some(Self {
            width,
            height,
            bit_depth: 8,
            samples: Samples::Eight(samples),
        })
    }

    /// A deeper plane from its words; `None` unless there are `width × height` of them.
    pub fn from_u16(width: usize, height: usize, bit_depth: u8, samples: Vec<u16>) -> Option<Self> {
        (width.checked_mul(height)? == samples.len() && (9..=16).contains(&bit_depth)).then_some(
            Self {
                width,
                height,
                bit_depth,
                samples: Samples::Sixteen(samples),
            },
        )
    }

    /// Samples in a row.
    pub fn width(&self) -> usize {
        self.width
    }

    /// Rows.
    pub fn height(&self) -> usize {
        self.height
    }

    /// Bits a sample.
    pub fn bit_depth(&self) -> u8 {
        self.bit_depth
    }

    /// The bytes, if the plane is 8-bit.
    pub fn as_u8(&self) -> Option<&[u8]> {
        match &self.samples {
            Samples::Eight(samples) => Some(samples),
            Samples::Sixteen(_) => None,
        }
    }

    /// The bytes for writing, if the plane is 8-bit.
    pub fn as_u8_mut(&mut self) -> Option<&mut [u8]> {
        match &mut self.samples {
            Samples::Eight(samples) => Some(samples),
            Samples::Sixteen(_) => None,
        }
    }

    /// The words for writing, if the plane has more than 8 bits.
    pub fn as_u16_mut(&mut self) -> Option<&mut [u16]> {
        match &mut self.samples {
            Samples::Eight(_) => None,
            Samples::Sixteen(samples) => Some(samples),
        }
    }

    /// Sets the sample at column `x`, row `y`; clipped to the depth.
    ///
    /// # Panics
    /// Outside the plane.
    #[inline]
    pub fn set(&mut self, x: usize, y: usize, value: u16) {
        assert!(x < self.width, "column {x} of {}", self.width);
        let at = y * self.width + x;
        match &mut self.samples {
            Samples::Eight(samples) => samples[at] = u8::try_from(value).unwrap_or(u8::MAX),
            Samples::Sixteen(samples) => {
                let white = u16::try_from((1_u32 << self.bit_depth) - 1).unwrap_or(u16::MAX);
                samples[at] = value.min(white);
            }
        }
    }

    /// The plane in place.
    ///
    /// # Panics
    /// If the sample vector was shortened.
    pub fn view(&self) -> PlaneView<'_> {
        let samples = match &self.samples {
            Samples::Eight(samples) => RowView::Eight(samples),
            Samples::Sixteen(samples) => RowView::Sixteen(samples),
        };
        PlaneView::new(self.width, self.height, self.width, self.bit_depth, samples)
            .expect("a plane keeps width × height samples")
    }
}
