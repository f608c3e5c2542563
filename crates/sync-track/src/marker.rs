use serde::{Deserialize, Serialize};

/// What a marker sits on. The elbow is needed, the rest unlock further measures.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum MarkerRole {
    /// Tip of the draw elbow (olecranon).
    Elbow,
    /// Back of the hand that holds the bow.
    BowHand,
    /// Back of the hand that draws the string.
    StringHand,
    /// Nock of the arrow.
    Nock,
    /// Arrow rest on the bow.
    ArrowRest,
    /// Shoulder of the draw arm.
    DrawShoulder,
}

impl MarkerRole {
    /// Every role, in the order in which lists in the house follow.
    pub const ALL: [Self; 6] = [
        Self::Elbow,
        Self::BowHand,
        Self::StringHand,
        Self::Nock,
        Self::ArrowRest,
        Self::DrawShoulder,
    ];
}

impl std::fmt::Display for MarkerRole {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            Self::Elbow => "elbow",
            Self::BowHand => "bow hand",
            Self::StringHand => "string hand",
            Self::Nock => "nock",
            Self::ArrowRest => "arrow rest",
            Self::DrawShoulder => "draw shoulder",
        })
    }
}

/// What a marker looks like in space.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub enum MarkerShape {
    /// A ball: seen as a disc from everywhere.
    Ball {
        /// Diameter (m).
        diameter_m: f64,
    },
    /// A bright band around a limb: seen as a short bar across it.
    Band {
        /// Width along the limb (m).
        width_m: f64,
        /// Diameter of the limb that it goes around (m).
        limb_diameter_m: f64,
    },
    /// A flat dot: a disc from the front, an ellipse from the side, nothing from behind.
    Dot {
        /// Diameter (m).
        diameter_m: f64,
    },
}

impl MarkerShape {
    /// Longest and shortest extent (m) that a view may show of it; the shortest is 0 for a dot, which may be
    /// seen edge-on.
    pub fn extent_m(self) -> (f64, f64) {
        match self {
            Self::Ball { diameter_m } => (diameter_m, diameter_m),
            Self::Band {
                width_m,
                limb_diameter_m,
            } => (width_m.max(limb_diameter_m), width_m.min(limb_diameter_m)),
            Self::Dot { diameter_m } => (diameter_m, 0.0),
        }
    }
}

/// A colour by its name. Its hue is looked up here, its strength is learned from the recording.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum NamedColour {
    /// Like a hi-vis vest's orange.
    Orange,
    /// Like grass in the sun, or greener.
    Green,
    /// Between red and violet.
    Pink,
    /// Like a clear sky, or deeper.
    Blue,
    /// Like a lemon.
    Yellow,
    /// Like a ripe tomato.
    Red,
}

/// The colour of a marker, as the picture's own chroma sees it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub enum MarkerColour {
    /// A colour by its name.
    Named(NamedColour),
    /// A pick from a picture: 8-bit-scaled `Y'CbCr` of the marker's lit part.
    Picked {
        /// Luma, 0 to 255.
        luma: f64,
        /// Blue difference, 0 to 255, 128 is grey.
        cb: f64,
        /// Red difference, 0 to 255, 128 is grey.
        cr: f64,
    },
    /// No colour but light on dark ground: the printed high-contrast target for bad light.
    Light,
}

/// One marker on the archer.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct MarkerSpec {
    /// What it sits on.
    pub role: MarkerRole,
    /// What it looks like in space.
    pub shape: MarkerShape,
    /// Its colour.
    pub colour: MarkerColour,
}
