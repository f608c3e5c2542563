//! Patches of a marker's colour in one picture: the candidates, found everywhere in every frame.
//!
//! One table look-up a sample on the half-size planes, every few rows and columns, costs a few hundredths of
//! decoding; so the whole picture is looked at always, and no track has to be "lost" before it is found again.

use crate::colour::{ColourModel, ColourTable, depth_scale};
use crate::contrast::Contrast;
use drawarc_footage::{PictureView, RowView};
use nalgebra::{Matrix2, Point2, Vector2};

/// A patch of a marker's colour, on the half-size grid of chroma.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Blob {
    /// Centroid by score (samples of the half-size grid).
    pub(crate) centre_half: Point2<f64>,
    /// Number of samples above half of the peak.
    pub(crate) area_half: f64,
    /// Second moments about the centroid (samples²).
    pub(crate) moments_half: Matrix2<f64>,
    /// Highest score in it (8-bit steps).
    pub(crate) peak: f64,
    /// Touches the picture's border.
    pub(crate) at_border: bool,
}

/// Patches smaller than this many samples are noise.
const SMALLEST: usize = 2;
/// A patch is what lies above this share of its own peak: half of a colour, ...
const SHARE_OF_PEAK: f64 = 0.5;
/// ... more of mere light, from which grey things next to it are not far.
const SHARE_OF_LIGHT: f64 = 0.65;

/// Column, row and score of a sample.
type Sample = (u32, u32, f64);

/// Samples of a row that are looked at together first.
const RUN: usize = 64;

/// Finds blobs; keeps its working memory between frames.
#[derive(Debug)]
pub(crate) struct BlobFinder {
    models: Vec<ColourModel>,
    table: ColourTable,
    step: usize,
    /// Frame stamp of each sample that belongs to a region already looked at, per model.
    looked_at: Vec<Vec<u32>>,
    stamp: u32,
    region: Vec<Sample>,
    /// For every sample of the grid, its index in the list last split into parts; stale for all that is not in the list.
    indices: Vec<u32>,
    seeds: Vec<Vec<(u32, u32)>>,
    contrast: Contrast,
}

impl BlobFinder {
    /// A finder for these colours (at most eight). `step` is the spacing of samples looked at on the half-size
    /// grid.
    pub(crate) fn new(models: Vec<ColourModel>, step: usize) -> Self {
        Self {
            table: ColourTable::new(&models),
            looked_at: vec![Vec::new(); models.len()],
            seeds: vec![Vec::new(); models.len()],
            models,
            step: step.max(1),
            stamp: 0,
            region: Vec::new(),
            indices: Vec::new(),
            contrast: Contrast::default(),
        }
    }

    /// All blobs of a picture, one list a model. Regions larger than `largest_half` samples above half of their
    /// peak are dropped.
    pub(crate) fn find(
        &mut self,
        picture: &PictureView<'_>,
        largest_half: &[f64],
    ) -> Vec<Vec<Blob>> {
        let (width, height) = (picture.cb.width(), picture.cb.height());
        for stamps in &mut self.looked_at {
            if stamps.len() != width * height || self.stamp == u32::MAX {
                stamps.clear();
                stamps.resize(width * height, 0);
            }
        }
        self.stamp = self.stamp.checked_add(1).unwrap_or(1);
        self.indices.resize(width * height, 0);
        let light = self.models.iter().zip(largest_half);
        let largest = light
            .filter(|(model, _)| **model == ColourModel::Light)
            .map(|(_, largest)| *largest)
            .reduce(f64::max);
        if let Some(largest) = largest {
            // Wider than the largest disc: a window that holds any of it holds some of its ground.
            #[expect(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "a few hundred samples at most"
            )]
            let window = (2.0 * (largest / std::f64::consts::PI).sqrt()).clamp(2.0, 1e4) as usize;
            self.contrast.look(picture, window + 1);
        }
        self.seed(picture);
        let models = self.models.clone();
        models
            .iter()
            .enumerate()
            .map(|(k, &model)| {
                let seeds = std::mem::take(&mut self.seeds[k]);
                let mut blobs = Vec::new();
                for &(x, y) in &seeds {
                    self.grow(picture, (k, model), (x, y), largest_half[k], &mut blobs);
                }
                self.seeds[k] = seeds;
                blobs
            })
            .collect()
    }

    fn seed(&mut self, picture: &PictureView<'_>) {
        for seeds in &mut self.seeds {
            seeds.clear();
        }
        let (width, height) = (picture.cb.width(), picture.cb.height());
        let any_hue = self
            .models
            .iter()
            .any(|model| matches!(model, ColourModel::Hue(_)));
        let shift = picture.bit_depth.saturating_sub(8);
        for y in (0..height).step_by(self.step) {
            if any_hue {
                match (picture.cb.row(y), picture.cr.row(y)) {
                    (RowView::Eight(cb), RowView::Eight(cr)) => {
                        let runs = cb.chunks(RUN).zip(cr.chunks(RUN));
                        for (run, (cb, cr)) in runs.enumerate() {
                            if !self.table.may_hold(cb, cr) {
                                continue;
                            }
                            let first = (run * RUN).next_multiple_of(self.step);
                            for x in (first..run * RUN + cb.len()).step_by(self.step) {
                                let within = x - run * RUN;
                                let bits = self.table.of_u8(cb[within], cr[within]);
                                if bits != 0 {
                                    add_seed(&mut self.seeds, bits, x, y);
                                }
                            }
                        }
                    }
                    (cb, cr) => {
                        for x in (0..width).step_by(self.step) {
                            let eight = |row: RowView<'_>| {
                                u8::try_from(row.get(x) >> shift).unwrap_or(u8::MAX)
                            };
                            let bits = self.table.of_u8(eight(cb), eight(cr));
                            if bits != 0 {
                                add_seed(&mut self.seeds, bits, x, y);
                            }
                        }
                    }
                }
            }
            for (k, &model) in self.models.iter().enumerate() {
                if model == ColourModel::Light {
                    for x in (0..width).step_by(self.step) {
                        if self.contrast.at(x, y) > model.seed_score() {
                            add_seed(&mut self.seeds, 1 << k, x, y);
                        }
                    }
                }
            }
        }
    }

    /// Grows the region of a seed, then splits what stands above half of the region's peak into blobs.
    fn grow(
        &mut self,
        picture: &PictureView<'_>,
        (k, model): (usize, ColourModel),
        seed: (u32, u32),
        largest_half: f64,
        blobs: &mut Vec<Blob>,
    ) {
        let bar = model.seed_score();
        let mut region = std::mem::take(&mut self.region);
        region.clear();
        self.flood(picture, (k, model), seed, bar, &mut region);
        let peak = region.iter().map(|sample| sample.2).fold(0.0, f64::max);
        if region.len() >= SMALLEST {
            let share = match model {
                ColourModel::Hue(_) => SHARE_OF_PEAK,
                ColourModel::Light => SHARE_OF_LIGHT,
            };
            let high = (share * peak).max(bar);
            let mut inside: Vec<Sample> = region
                .iter()
                .copied()
                .filter(|sample| sample.2 >= high)
                .collect();
            inside.sort_unstable_by_key(|&(x, y, _)| (y, x));
            let size = (picture.cb.width(), picture.cb.height());
            for part in parts(&inside, &mut self.indices, size) {
                if part.len() >= SMALLEST && part.len() as f64 <= largest_half {
                    blobs.push(describe(&part, size));
                }
            }
        }
        self.region = region;
    }

    fn flood(
        &mut self,
        picture: &PictureView<'_>,
        (k, model): (usize, ColourModel),
        seed: (u32, u32),
        bar: f64,
        region: &mut Vec<Sample>,
    ) {
        let (width, height) = (picture.cb.width(), picture.cb.height());
        let stamps = &mut self.looked_at[k];
        let contrast = &self.contrast;
        let mut visit = |x: usize, y: usize, region: &mut Vec<Sample>| {
            let stamp = &mut stamps[y * width + x];
            if *stamp == self.stamp {
                return;
            }
            let score = match model {
                ColourModel::Hue(_) => model.score_at(picture, x, y),
                ColourModel::Light => contrast.at(x, y),
            };
            if score > bar {
                *stamp = self.stamp;
                #[expect(clippy::cast_possible_truncation, reason = "picture sizes fit 32 bits")]
                region.push((x as u32, y as u32, score));
            }
        };
        visit(seed.0 as usize, seed.1 as usize, region);
        let mut next = 0;
        while next < region.len() {
            let (x, y) = (region[next].0 as usize, region[next].1 as usize);
            next += 1;
            if x > 0 {
                visit(x - 1, y, region);
            }
            if x + 1 < width {
                visit(x + 1, y, region);
            }
            if y > 0 {
                visit(x, y - 1, region);
            }
            if y + 1 < height {
                visit(x, y + 1, region);
            }
        }
    }
}

fn add_seed(seeds: &mut [Vec<(u32, u32)>], bits: u8, x: usize, y: usize) {
    for (k, seeds) in seeds.iter_mut().enumerate() {
        if bits & (1 << k) != 0 {
            #[expect(clippy::cast_possible_truncation, reason = "picture sizes fit 32 bits")]
            seeds.push((x as u32, y as u32));
        }
    }
}

/// Connected parts (four neighbours) of samples sorted by row and column, all of them in a grid of this size.
fn parts(
    sorted: &[Sample],
    indices: &mut [u32],
    (width, height): (usize, usize),
) -> Vec<Vec<Sample>> {
    let place = |x: u32, y: u32| y as usize * width + x as usize;
    for (index, &(x, y, _)) in sorted.iter().enumerate() {
        #[expect(clippy::cast_possible_truncation, reason = "picture sizes fit 32 bits")]
        let index = index as u32;
        indices[place(x, y)] = index;
    }
    let find = |x: u32, y: u32| {
        if x as usize >= width || y as usize >= height {
            return None;
        }
        let index = indices[place(x, y)] as usize;
        let named = sorted.get(index)?;
        ((named.0, named.1) == (x, y)).then_some(index)
    };
    let mut owner: Vec<Option<usize>> = vec![None; sorted.len()];
    let mut all = Vec::new();
    for start in 0..sorted.len() {
        if owner[start].is_some() {
            continue;
        }
        owner[start] = Some(all.len());
        let mut part = vec![sorted[start]];
        let mut next = 0;
        while next < part.len() {
            let (x, y, _) = part[next];
            next += 1;
            let around = [
                (x.wrapping_sub(1), y),
                (x + 1, y),
                (x, y.wrapping_sub(1)),
                (x, y + 1),
            ];
            for (x, y) in around {
                if let Some(index) = find(x, y)
                    && owner[index].is_none()
                {
                    owner[index] = Some(all.len());
                    part.push(sorted[index]);
                }
            }
        }
        all.push(part);
    }
    all
}

fn describe(part: &[Sample], (width, height): (usize, usize)) -> Blob {
    let mut total = 0.0;
    let mut sum = Vector2::zeros();
    let mut square = Matrix2::zeros();
    let mut peak: f64 = 0.0;
    let mut at_border = false;
    for &(x, y, score) in part {
        let score = score.max(0.0);
        let at = Vector2::new(f64::from(x), f64::from(y));
        total += score;
        sum += at * score;
        square += at * at.transpose() * score;
        peak = peak.max(score);
        at_border |= x == 0 || y == 0 || x as usize + 1 == width || y as usize + 1 == height;
    }
    let centre = sum / total;
    Blob {
        centre_half: Point2::from(centre),
        area_half: part.len() as f64,
        moments_half: square / total - centre * centre.transpose()
            + Matrix2::identity() * SAMPLE_MOMENT,
        peak,
        at_border,
    }
}

/// Second moment of one square sample.
const SAMPLE_MOMENT: f64 = 1.0 / 12.0;

/// Rescales 16-bit-word samples to 8-bit steps; here so that callers need not know the depth.
pub(crate) fn luma_scale(picture: &PictureView<'_>) -> f64 {
    depth_scale(picture.bit_depth)
}
