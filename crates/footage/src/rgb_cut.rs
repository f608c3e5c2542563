use crate::rgb::RgbImage;

impl RgbImage {
    /// The part that begins at `from_px` (column, row) and measures `part_px` (width, height), shrunk to `to_px` by averaging
    /// over the area of each new pixel. Parts that reach over the border are cut there; nothing is enlarged
    /// smoothly: asked for more pixels than there are, it repeats the nearest.
    #[must_use]
    pub fn cut_and_shrunk(
        &self,
        from_px: (u32, u32),
        part_px: (u32, u32),
        to_px: (u32, u32),
    ) -> Self {
        let (width, height) = (to_px.0.max(1), to_px.1.max(1));
        let columns = Self::shares(from_px.0, part_px.0, width, self.width_px);
        let rows = Self::shares(from_px.1, part_px.1, height, self.height_px);
        let mut samples = Vec::with_capacity(3 * width as usize * height as usize);
        for row in &rows {
            for column in &columns {
                let mut sum = [0.0_f32; 3];
                let mut weight = 0.0;
                for &(y, share_y) in row {
                    for &(x, share_x) in column {
                        let colour = self.get(x, y);
                        for (total, value) in sum.iter_mut().zip(colour) {
                            *total += share_x * share_y * f32::from(value);
                        }
                        weight += share_x * share_y;
                    }
                }
                samples.extend(sum.map(|total| Self::rounded(total / weight)));
            }
        }
        Self {
            width_px: width,
            height_px: height,
            samples,
        }
    }

    /// For each of `to` new pixels: the old ones under it with the length that each covers.
    fn shares(from: u32, part: u32, to: u32, size: u32) -> Vec<Vec<(u32, f32)>> {
        let last = size - 1;
        let step = f64::from(part.max(1)) / f64::from(to);
        (0..to)
            .map(|index| {
                let start = f64::from(from) + f64::from(index) * step;
                let end = start + step;
                let (first, past) = (Self::floor(start).min(last), Self::floor(end.ceil()));
                let mut shares: Vec<(u32, f32)> = (first..past.min(size))
                    .map(|old| {
                        let covered = end.min(f64::from(old) + 1.0) - start.max(f64::from(old));
                        #[expect(
                            clippy::cast_possible_truncation,
                            reason = "a length between 0 and 1"
                        )]
                        let covered = covered as f32;
                        (old, covered)
                    })
                    .filter(|share| share.1 > 0.0)
                    .collect();
                if shares.is_empty() {
                    shares.push((first, 1.0));
                }
                shares
            })
            .collect()
    }

    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a place in a picture: not negative, far below 2³²"
    )]
    fn floor(value: f64) -> u32 {
        value as u32
    }

    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a mean of bytes is a byte"
    )]
    fn rounded(value: f32) -> u8 {
        value.round() as u8
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_part_is_averaged_over_areas() {
        let mut image = RgbImage::filled(6, 4, [0, 0, 0]);
        image.set(2, 1, [80, 0, 0]);
        image.set(3, 2, [0, 40, 200]);
        let half = image.cut_and_shrunk((2, 1), (2, 2), (1, 1));
        assert_eq!(half.get(0, 0), [20, 10, 50]);
        let same = image.cut_and_shrunk((0, 0), (6, 4), (6, 4));
        assert_eq!(same, image);
        // Two thirds: each new pixel covers one and a half old ones.
        let third = image.cut_and_shrunk((2, 1), (3, 1), (2, 1));
        assert_eq!(third.get(0, 0), [53, 0, 0]);
        // Over the border it is cut, not invented.
        assert_eq!(
            image.cut_and_shrunk((5, 3), (9, 9), (2, 2)).get(1, 1),
            [0, 0, 0]
        );
    }
}
