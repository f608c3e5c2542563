//! One frame in linear light: the still background, and on it, tile by tile, what moves.

/// Side of a tile (px); also the number of neighbouring pixels of a row that are drawn together.
pub(crate) const TILE: usize = 16;

/// One number for each of the pixels drawn together.
pub(crate) type Lane = [f32; TILE];

/// Colour planes of a whole picture: red, green, blue in linear light.
pub(crate) type Light = [Vec<f32>; 3];

/// Colour and depth of a frame; tiles that nothing touched hold the background.
#[derive(Debug)]
pub(crate) struct Canvas {
    pub(crate) width: usize,
    pub(crate) height: usize,
    pub(crate) light: Light,
    depth: Vec<f32>,
    touched: Vec<bool>,
    pub(crate) tiles: Vec<usize>,
    tiles_across: usize,
}

impl Canvas {
    pub(crate) fn new(width: usize, height: usize, background: &Light) -> Self {
        let tiles_across = width.div_ceil(TILE);
        Self {
            width,
            height,
            light: background.clone(),
            depth: vec![f32::INFINITY; width * height],
            touched: vec![false; tiles_across * height.div_ceil(TILE)],
            tiles: Vec::new(),
            tiles_across,
        }
    }

    /// Forgets the frame: the background is whole again.
    pub(crate) fn clear(&mut self, background: &Light) {
        for tile in std::mem::take(&mut self.tiles) {
            self.touched[tile] = false;
            let (x0, x1, y0, y1) = self.tile_span(tile);
            for line in y0..y1 {
                let span = line * self.width + x0..line * self.width + x1;
                for (plane, still) in self.light.iter_mut().zip(background) {
                    plane[span.clone()].copy_from_slice(&still[span.clone()]);
                }
                self.depth[span].fill(f32::INFINITY);
            }
        }
    }

    /// Pixels of a tile: `(x from, x to, y from, y to)`.
    pub(crate) fn tile_span(&self, tile: usize) -> (usize, usize, usize, usize) {
        let (x, y) = (
            (tile % self.tiles_across) * TILE,
            (tile / self.tiles_across) * TILE,
        );
        (
            x,
            (x + TILE).min(self.width),
            y,
            (y + TILE).min(self.height),
        )
    }

    /// Marks the tile of a pixel.
    #[inline]
    pub(crate) fn touch(&mut self, x: usize, y: usize) {
        let tile = (y / TILE) * self.tiles_across + x / TILE;
        if !self.touched[tile] {
            self.touched[tile] = true;
            self.tiles.push(tile);
        }
    }

    /// Takes these fractions of the light away from the pixels of a lane that begins at column `x` (a multiple of
    /// [`TILE`]).
    pub(crate) fn darken(&mut self, x: usize, y: usize, fraction: &Lane) {
        self.touch(x, y);
        let span = y * self.width + x..y * self.width + (x + TILE).min(self.width);
        for plane in &mut self.light {
            for (value, fraction) in plane[span.clone()].iter_mut().zip(fraction) {
                *value *= 1.0 - fraction;
            }
        }
    }

    /// Lays colours over the pixels of a lane that begins at column `x` (a multiple of [`TILE`]), where nothing
    /// nearer is.
    pub(crate) fn lay_lane(
        &mut self,
        (x, y): (usize, usize),
        depth: &Lane,
        cover: &Lane,
        rgb: &[Lane; 3],
    ) {
        self.touch(x, y);
        let span = y * self.width + x..y * self.width + (x + TILE).min(self.width);
        let mut part = [0.0_f32; TILE];
        for (i, known) in self.depth[span.clone()].iter_mut().enumerate() {
            part[i] = if depth[i] > *known { 0.0 } else { cover[i] };
            *known = if part[i] > 0.5 { depth[i] } else { *known };
        }
        for (plane, colour) in self.light.iter_mut().zip(rgb) {
            for (i, value) in plane[span.clone()].iter_mut().enumerate() {
                *value += (colour[i] - *value) * part[i];
            }
        }
    }

    /// Lays a colour over one pixel where nothing nearer is.
    #[inline]
    pub(crate) fn lay(&mut self, (x, y): (usize, usize), depth: f64, cover: f64, rgb: [f32; 3]) {
        #[expect(
            clippy::cast_possible_truncation,
            reason = "colours are single precision"
        )]
        let (depth, cover) = (depth as f32, cover as f32);
        self.touch(x, y);
        let at = y * self.width + x;
        if depth > self.depth[at] {
            return;
        }
        for (plane, colour) in self.light.iter_mut().zip(rgb) {
            plane[at] += (colour - plane[at]) * cover;
        }
        if cover > 0.5 {
            self.depth[at] = depth;
        }
    }
}
