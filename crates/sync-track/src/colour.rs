//! How much a sample looks like the marker: a linear measure inside a wedge of hue, so that a sample half
//! covered by the marker scores half.

use crate::{MarkerColour, MarkerSpec, NamedColour, SyncTrackError};
use drawarc_footage::PictureView;
use nalgebra::Vector2;

/// Half the opening of the wedge of hues that count as the marker's (rad): wide enough for another white balance
/// (about ±15° in chroma) and for shade.
const WEDGE_RAD: f64 = 0.45;
/// Below this strength (8-bit chroma steps from grey) nothing is a marker: the grey of compression and shade.
const FAINTEST: f64 = 22.0;
/// A pick must be so far from grey (8-bit steps).
const FAINTEST_PICK: f64 = 20.0;
/// For markers without colour: 8-bit steps above its ground from which a sample may be the light target. Skin beside a
/// black sleeve has as much; its shape tells it from a disc.
const LIGHT_FROM: f64 = 24.0;

/// What is looked for in the chroma (or luma) samples.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum ColourModel {
    /// Unit direction in the plane of (Cb − 128, Cr − 128).
    Hue(Vector2<f64>),
    /// Light on dark.
    Light,
}

impl ColourModel {
    /// The model of a marker's colour.
    ///
    /// # Errors
    /// [`SyncTrackError::Colourless`] where a pick is nearly grey.
    pub(crate) fn of(spec: &MarkerSpec) -> Result<Self, SyncTrackError> {
        let (cb, cr) = match spec.colour {
            MarkerColour::Light => return Ok(Self::Light),
            MarkerColour::Named(name) => chroma_of(name),
            MarkerColour::Picked { cb, cr, .. } => (cb - 128.0, cr - 128.0),
        };
        let chroma = Vector2::new(cb, cr);
        // Written so that NaN is refused too.
        if chroma.norm() >= FAINTEST_PICK {
            Ok(Self::Hue(chroma.normalize()))
        } else {
            Err(SyncTrackError::Colourless {
                role: spec.role,
                cb: cb + 128.0,
                cr: cr + 128.0,
            })
        }
    }

    /// Score of chroma (8-bit steps from grey): the component along the hue less what the component across
    /// costs; zero on the wedge's edges.
    pub(crate) fn of_chroma(self, cb: f64, cr: f64) -> f64 {
        match self {
            Self::Hue(hue) => {
                let along = cb * hue.x + cr * hue.y;
                let across = cb * hue.y - cr * hue.x;
                along - across.abs() / WEDGE_RAD.tan()
            }
            Self::Light => 0.0,
        }
    }

    /// Score from which a sample may belong to a marker.
    pub(crate) fn seed_score(self) -> f64 {
        match self {
            Self::Hue(_) => FAINTEST,
            Self::Light => LIGHT_FROM,
        }
    }

    /// Score of a hue at half-size grid position, in 8-bit steps.
    pub(crate) fn score_at(self, picture: &PictureView<'_>, x: usize, y: usize) -> f64 {
        let shift = depth_scale(picture.bit_depth);
        let cb = f64::from(picture.cb.get(x, y)) * shift - 128.0;
        let cr = f64::from(picture.cr.get(x, y)) * shift - 128.0;
        self.of_chroma(cb, cr)
    }
}

/// Factor from samples of this depth to 8-bit steps.
pub(crate) fn depth_scale(bit_depth: u8) -> f64 {
    0.5f64.powi(i32::from(bit_depth) - 8)
}

/// Chroma (BT.709, 8-bit steps from grey) of typical paints, from sRGB triples: orange (255, 120, 0), green
/// (0, 200, 60), pink (255, 60, 160), blue (20, 80, 230), yellow (240, 220, 0), red (220, 20, 20). Only the
/// direction counts.
fn chroma_of(name: NamedColour) -> (f64, f64) {
    match name {
        NamedColour::Orange => (-75.4, 73.0),
        NamedColour::Green => (-47.1, -93.6),
        NamedColour::Pink => (27.6, 92.9),
        NamedColour::Blue => (82.0, -36.8),
        NamedColour::Yellow => (-112.3, 20.0),
        NamedColour::Red => (-22.9, 100.0),
    }
}

/// For every pair of chroma values (7 bits each) which of up to eight colours it may be.
#[derive(Debug, Clone)]
pub(crate) struct ColourTable {
    bits: Vec<u8>,
    /// For each colour, the box of chroma around it: lowest and highest Cb, lowest and highest Cr.
    boxes: Vec<[u8; 4]>,
}

impl ColourTable {
    /// Table of up to eight models; bit `k` stands for model `k`. `finer` lowers the bar by this factor.
    pub(crate) fn new(models: &[ColourModel]) -> Self {
        let mut bits = vec![0u8; 128 * 128];
        for (place, entry) in bits.iter_mut().enumerate() {
            let value = |seven: usize| (seven * 2) as f64 + 0.5 - 128.0;
            let (cb, cr) = (value(place >> 7), value(place & 127));
            for (k, model) in models.iter().enumerate().take(8) {
                if matches!(model, ColourModel::Hue(_))
                    && model.of_chroma(cb, cr) > model.seed_score()
                {
                    *entry |= 1 << k;
                }
            }
        }
        let boxes = (0..models.len().min(8))
            .filter_map(|k| {
                let of_model = (0u8..128).flat_map(|cb| (0u8..128).map(move |cr| (cb, cr)));
                of_model
                    .filter(|&(cb, cr)| {
                        bits[(usize::from(cb) << 7) | usize::from(cr)] & (1 << k) != 0
                    })
                    .fold(None, |around: Option<[u8; 4]>, (cb, cr)| {
                        let [b0, b1, r0, r1] =
                            around.unwrap_or([2 * cb, 2 * cb + 1, 2 * cr, 2 * cr + 1]);
                        Some([
                            b0.min(2 * cb),
                            b1.max(2 * cb + 1),
                            r0.min(2 * cr),
                            r1.max(2 * cr + 1),
                        ])
                    })
            })
            .collect();
        Self { bits, boxes }
    }

    /// Whether any of these neighbouring samples can be of a colour. Comparisons of whole runs of bytes: where most of
    /// a picture is floor and wall this is several times as fast as looking each sample up.
    #[inline]
    pub(crate) fn may_hold(&self, cb: &[u8], cr: &[u8]) -> bool {
        self.boxes.iter().any(|&[b0, b1, r0, r1]| {
            cb.iter().zip(cr).fold(0u8, |any, (&cb, &cr)| {
                any | (u8::from(cb.wrapping_sub(b0) <= b1 - b0)
                    & u8::from(cr.wrapping_sub(r0) <= r1 - r0))
            }) != 0
        })
    }

    /// Colours of a pair of 8-bit samples.
    #[inline]
    pub(crate) fn of_u8(&self, cb: u8, cr: u8) -> u8 {
        self.bits[(usize::from(cb >> 1) << 7) | usize::from(cr >> 1)]
    }
}
