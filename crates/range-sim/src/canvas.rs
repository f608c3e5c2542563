//! One frame in linear light: the still background, and on it, tile by tile, what moves.

use nalgebra::Vector3;

/// Side of a tile (px).
pub(crate) const TILE: usize = 16;

/// Colour and depth of a frame; tiles that nothing touched hold the background.
#[derive(Debug)]
pub(crate) struct Canvas {
    pub(crate) width: usize,
    pub(crate) height: usize,
    pub(crate) rgb: Vec<[f32; 3]>,
    depth: Vec<f32>,
    touched: Vec<bool>,
    pub(crate) tiles: Vec<usize>,
    tiles_across: usize,
}

impl Canvas {
    pub(crate) fn new(width: usize, height: usize, background: &[[f32; 3]]) -> Self {
        let tiles_across = width.div_ceil(TILE);
        Self {
            width,
            height,
            rgb: background.to_vec(),
            depth: vec![f32::INFINITY; width * height],
            touched: vec![false; tiles_across * height.div_ceil(TILE)],
            tiles: Vec::new(),
            tiles_across,
        }
    }

    /// Forgets the frame: the background is whole again.
    pub(crate) fn clear(&mut self, background: &[[f32; 3]]) {
        for tile in std::mem::take(&mut self.tiles) {
            self.touched[tile] = false;
            let (x0, x1, y0, y1) = self.tile_span(tile);
            for line in y0..y1 {
                let span = line * self.width + x0..line * self.width + x1;
                self.rgb[span.clone()].copy_from_slice(&background[span.clone()]);
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

    /// Marks the tiles of a stretch of a row.
    pub(crate) fn touch(&mut self, y: usize, from: usize, to: usize) {
        let row = (y / TILE) * self.tiles_across;
        for tile in row + from / TILE..=row + (to - 1) / TILE {
            if !self.touched[tile] {
                self.touched[tile] = true;
                self.tiles.push(tile);
            }
        }
    }

    /// Takes this fraction of the light away.
    #[inline]
    pub(crate) fn darken(&mut self, at: usize, fraction: f64) {
        #[expect(
            clippy::cast_possible_truncation,
            reason = "colours are single precision"
        )]
        let rest = (1.0 - fraction) as f32;
        self.rgb[at] = self.rgb[at].map(|c| c * rest);
    }

    /// Lays a colour over a pixel where nothing nearer is.
    #[inline]
    pub(crate) fn lay(&mut self, at: usize, depth: f64, cover: f64, rgb: [f32; 3]) {
        #[expect(
            clippy::cast_possible_truncation,
            reason = "colours are single precision"
        )]
        let (depth, cover) = (depth as f32, cover as f32);
        if depth > self.depth[at] {
            return;
        }
        let pixel = &mut self.rgb[at];
        for k in 0..3 {
            pixel[k] += (rgb[k] - pixel[k]) * cover;
        }
        if cover > 0.5 {
            self.depth[at] = depth;
        }
    }
}

/// Lamps, in the camera's frame.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Lamps {
    pub(crate) up: Vector3<f64>,
    pub(crate) key: Vector3<f64>,
    pub(crate) one_sided: f64,
}

impl Lamps {
    /// Light on a surface with this normal: 1 is full.
    pub(crate) fn on(&self, normal: &Vector3<f64>, marker: bool) -> f64 {
        if marker && self.one_sided < 0.0 {
            return 0.9;
        }
        let key = normal.dot(&self.key).max(0.0);
        // A ball in a hall gets much light back from floor and walls.
        let (level, slope) = if marker { (0.76, 0.14) } else { (0.62, 0.34) };
        let even = level + slope * normal.dot(&self.up);
        let side = if marker {
            self.one_sided
        } else {
            self.one_sided.max(0.25)
        };
        even * (1.0 - 0.75 * side) + key * 0.95 * side + 0.10
    }
}
