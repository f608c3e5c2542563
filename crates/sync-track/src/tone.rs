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
    /// One over the span of luma, and over the share of green in it.
    per_luma: f64,
    per_green: f64,
    /// Blue less luma by Cb, red less luma by Cr.
    blue_by_cb: f64,
    red_by_cr: f64,
    /// Each plane's value by red, green and blue.
    by_rgb: [[f64; 3]; 3],
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
        let luma = [red, 1.0 - red - blue, blue];
        let blue_by_cb = 2.0 * (1.0 - blue) / chroma_span;
        let red_by_cr = 2.0 * (1.0 - red) / chroma_span;
        Self {
            red,
            blue,
            black,
            per_luma: 1.0 / luma_span,
            per_green: 1.0 / luma[1],
            blue_by_cb,
            red_by_cr,
            by_rgb: [
                luma.map(|share| share * luma_span),
                [-luma[0], -luma[1], 1.0 - luma[2]].map(|share| share / blue_by_cb),
                [1.0 - luma[0], -luma[1], -luma[2]].map(|share| share / red_by_cr),
            ],
        }
    }

    fn rgb(&self, coded: [f64; 3]) -> [f64; 3] {
        let luma = (coded[0] - self.black) * self.per_luma;
        let blue = luma + coded[1] * self.blue_by_cb;
        let red = luma + coded[2] * self.red_by_cr;
        let green = (luma - self.red * red - self.blue * blue) * self.per_green;
        [red, green, blue].map(|x| x.clamp(0.002, 1.0))
    }

    fn plane(&self, rgb: [f64; 3], plane: usize) -> f64 {
        let by = self.by_rgb[plane];
        by[0] * rgb[0] + by[1] * rgb[1] + by[2] * rgb[2]
    }

    /// Coded value of one plane for light mixed `cover` to `1 − cover`, less the mixture of the coded values; and the
    /// derivative by `cover`; the mean over covers with shares, which sum to 1. The curve is taken as a square root.
    #[inline]
    pub(crate) fn excess<const N: usize>(
        &self,
        plane: usize,
        inside: [f64; 3],
        outside: [f64; 3],
        mixing: [(f64, f64); N],
    ) -> (f64, f64) {
        let (bright, dark) = (self.rgb(inside), self.rgb(outside));
        let mut over = [0.0; 3];
        let mut slope = [0.0; 3];
        for k in 0..3 {
            let (b, d) = (bright[k], dark[k]);
            let (low, step) = (d * d, b * b - d * d);
            let mut mean_cover = 0.0;
            let (mut mixed, mut steepness) = (0.0, 0.0);
            for (cover, share) in mixing {
                let coded = (low + cover * step).sqrt();
                mean_cover += share * cover;
                mixed += share * coded;
                steepness += share / coded;
            }
            over[k] = mixed - d - mean_cover * (b - d);
            slope[k] = 0.5 * step * steepness - (b - d);
        }
        (self.plane(over, plane), self.plane(slope, plane))
    }
}
