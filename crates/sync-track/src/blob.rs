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
    /// Frame stamp of each sample that belongs to a region already looked at, per model. A byte: what is looked up at so many places
    /// should be small.
    looked_at: Vec<Vec<u8>>,
    stamp: u8,
    region: Vec<Sample>,
    /// What of a region stands above half of its peak.
    inside: Vec<Sample>,
    /// For every sample of the grid, its index in the list last split into parts; stale for all that is not in the list.
    indices: Vec<u32>,
    /// Runs of a region that still have to be filled, by one sample each.
    pending: Vec<(usize, usize)>,
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
            inside: Vec::new(),
            indices: Vec::new(),
            pending: Vec::new(),
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
            if stamps.len() != width * height || self.stamp == u8::MAX {
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
        (0..self.models.len())
            .map(|k| {
                let seeds = std::mem::take(&mut self.seeds[k]);
                let mut blobs = Vec::new();
                for &(x, y) in &seeds {
                    let at = y as usize * width + x as usize;
                    if self.looked_at[k][at] != self.stamp {
                        let model = self.models[k];
                        self.grow(picture, (k, model), (x, y), largest_half[k], &mut blobs);
                    }
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
            let mut inside = std::mem::take(&mut self.inside);
            inside.clear();
            inside.extend(region.iter().filter(|sample| sample.2 >= high));
            let size = (picture.cb.width(), picture.cb.height());
            parts(&inside, &mut self.indices, size, &mut |part| {
                if part.len() >= SMALLEST && part.len() as f64 <= largest_half {
                    blobs.push(describe(part, size));
                }
            });
            self.inside = inside;
        }
        self.region = region;
    }

    /// Fills a region above a bar, run by run: every run of a row looks for runs that touch it in the rows above and below.
    fn flood(
        &mut self,
        picture: &PictureView<'_>,
        (k, model): (usize, ColourModel),
        seed: (u32, u32),
        bar: f64,
        region: &mut Vec<Sample>,
    ) {
        let (width, height) = (picture.cb.width(), picture.cb.height());
        let stamp = self.stamp;
        let stamps = &mut self.looked_at[k];
        self.pending.push((seed.0 as usize, seed.1 as usize));
        while let Some((x, y)) = self.pending.pop() {
            let scores = Scores::of_row(model, picture, &self.contrast, y);
            let row = &mut stamps[y * width..(y + 1) * width];
            let belongs = |row: &[u8], x: usize| row[x] != stamp && scores.at(x) > bar;
            if !belongs(row, x) {
                continue;
            }
            let (mut from, mut to) = (x, x + 1);
            while from > 0 && belongs(row, from - 1) {
                from -= 1;
            }
            while to < width && belongs(row, to) {
                to += 1;
            }
            row[from..to].fill(stamp);
            #[expect(clippy::cast_possible_truncation, reason = "picture sizes fit 32 bits")]
            region.extend((from..to).map(|x| (x as u32, y as u32, scores.at(x))));
            for beside in [y.wrapping_sub(1), y + 1] {
                if beside >= height {
                    continue;
                }
                let scores = Scores::of_row(model, picture, &self.contrast, beside);
                let row = &stamps[beside * width + from..beside * width + to];
                let mut before = false;
                for (x, looked_at) in (from..to).zip(row) {
                    let now = *looked_at != stamp && scores.at(x) > bar;
                    if now && !before {
                        self.pending.push((x, beside));
                    }
                    before = now;
                }
            }
        }
    }
}

/// Scores of a row of the half-size grid.
enum Scores<'a> {
    /// Of a hue, in rows of bytes.
    Bytes(ColourModel, &'a [u8], &'a [u8]),
    /// Of a hue in other rows.
    Hue(ColourModel, &'a PictureView<'a>, usize),
    /// Of mere light.
    Light(&'a Contrast, usize),
}

impl<'a> Scores<'a> {
    fn of_row(
        model: ColourModel,
        picture: &'a PictureView<'a>,
        contrast: &'a Contrast,
        y: usize,
    ) -> Self {
        match (model, picture.cb.row(y), picture.cr.row(y)) {
            (ColourModel::Light, ..) => Self::Light(contrast, y),
            (hue, RowView::Eight(cb), RowView::Eight(cr)) => Self::Bytes(hue, cb, cr),
            (hue, ..) => Self::Hue(hue, picture, y),
        }
    }

    #[inline]
    fn at(&self, x: usize) -> f64 {
        match self {
            Self::Bytes(hue, cb, cr) => {
                hue.of_chroma(f64::from(cb[x]) - 128.0, f64::from(cr[x]) - 128.0)
            }
            Self::Hue(hue, picture, y) => hue.score_at(picture, x, *y),
            Self::Light(contrast, y) => contrast.at(x, *y),
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

/// Tells the connected parts (four neighbours) of samples of a grid of this size, one after the other.
fn parts(
    samples: &[Sample],
    indices: &mut [u32],
    (width, height): (usize, usize),
    tell: &mut dyn FnMut(&[Sample]),
) {
    let place = |x: u32, y: u32| y as usize * width + x as usize;
    for (index, &(x, y, _)) in samples.iter().enumerate() {
        #[expect(clippy::cast_possible_truncation, reason = "picture sizes fit 32 bits")]
        let index = index as u32;
        indices[place(x, y)] = index;
    }
    let find = |x: u32, y: u32| {
        if x as usize >= width || y as usize >= height {
            return None;
        }
        let index = indices[place(x, y)] as usize;
        let named = samples.get(index)?;
        ((named.0, named.1) == (x, y)).then_some(index)
    };
    let mut taken = vec![false; samples.len()];
    let mut part: Vec<Sample> = Vec::new();
    for start in 0..samples.len() {
        if std::mem::replace(&mut taken[start], true) {
            continue;
        }
        part.clear();
        part.push(samples[start]);
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
                    && !std::mem::replace(&mut taken[index], true)
                {
                    part.push(samples[index]);
                }
            }
        }
        tell(&part);
    }
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
