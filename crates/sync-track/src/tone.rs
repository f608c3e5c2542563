//! What gamma does to a sample that is half marker, half surroundings.
//!
//! Lens and pixel mix *light*; the camera codes the mixture with a curve close to a square root (BT.709's transfer
//! function; any phone's tone curve lies nearby). A sample half covered by a bright marker on dark ground therefore looks
//! more than half covered, on the lit side of a ball more so than on its shaded side: left alone, that draws the
//! centre toward the light by 0.1 to 0.2 px.

use drawarc_footage::{ColourMatrix, PictureView};

/// Turns coded luma and chroma (8-bit steps, chroma from grey) into coded red, green, blue, and back.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Tone {
    red: f64,
    blue: f64,
    black: f64,
    luma_span: f64,
    chroma_span: f64,
}

impl Tone {
    /// The coding of a picture.
    pub(crate) fn of(picture: &PictureView<'_>) -> Self {
        // Weights of red and blue: ITU-R BT.601, BT.709, BT.2020.
        let (red, blue) = match picture.matrix {
            ColourMatrix::Bt601 => (0.299, 0.114),
            ColourMatrix::Bt709 => (0.2126, 0.0722),
            ColourMatrix::Bt2020 => (0.2627, 0.0593),
        };
        let (black, luma_span, chroma_span) = if picture.full_range {
            (0.0, 255.0, 255.0)
        } else {
            (16.0, 219.0, 224.0)
        };
        Self {
            red,
            blue,
            black,
            luma_span,
            chroma_span,
        }
    }

    fn rgb(&self, coded: [f64; 3]) -> [f64; 3] {
        let luma = (coded[0] - self.black) / self.luma_span;
        let blue = luma + coded[1] / self.chroma_span * 2.0 * (1.0 - self.blue);
        let red = luma + coded[2] / self.chroma_span * 2.0 * (1.0 - self.red);
        let green = (luma - self.red * red - self.blue * blue) / (1.0 - self.red - self.blue);
        [red, green, blue].map(|x| x.clamp(0.002, 1.0))
    }

    fn plane(&self, rgb: [f64; 3], plane: usize) -> f64 {
        let luma = self.red * rgb[0] + (1.0 - self.red - self.blue) * rgb[1] + self.blue * rgb[2];
        match plane {
            0 => luma * self.luma_span,
            1 => (rgb[2] - luma) / (2.0 * (1.0 - self.blue)) * self.chroma_span,
            _ => (rgb[0] - luma) / (2.0 * (1.0 - self.red)) * self.chroma_span,
        }
    }

    /// Coded value of one plane for light mixed `cover` to `1 − cover`, less the mixture of the coded values; and the
    /// derivative by `cover`; the mean over covers with shares. The curve is taken as a square root.
    pub(crate) fn excess(
        &self,
        plane: usize,
        inside: [f64; 3],
        outside: [f64; 3],
        mixing: &[(f64, f64)],
    ) -> (f64, f64) {
        let (bright, dark) = (self.rgb(inside), self.rgb(outside));
        let mut over = [0.0; 3];
        let mut slope = [0.0; 3];
        for &(cover, share) in mixing {
            if share <= 0.0 {
                continue;
            }
            for k in 0..3 {
                let (b, d) = (bright[k], dark[k]);
                let mixed = (cover * b * b + (1.0 - cover) * d * d).sqrt();
                over[k] += share * (mixed - cover * b - (1.0 - cover) * d);
                slope[k] += share * ((b * b - d * d) / (2.0 * mixed) - (b - d));
            }
        }
        (self.plane(over, plane), self.plane(slope, plane))
    }
}
