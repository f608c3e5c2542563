//! Solids that everything moving is built of: cones with round ends, flattened where need be, and flat discs.

use nalgebra::{Point3, Vector3};

/// What a surface looks like.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Paint {
    /// Linear RGB under full light.
    pub(crate) rgb: [f32; 3],
    /// Strength of folds and grain.
    pub(crate) grain: f32,
    /// Strength of the highlight.
    pub(crate) gloss: f32,
    /// Marker paint follows the scenario's one-sidedness of light.
    pub(crate) marker: bool,
}

impl Paint {
    pub(crate) const fn matt(rgb: [f32; 3]) -> Self {
        Self {
            rgb,
            grain: 0.0,
            gloss: 0.0,
            marker: false,
        }
    }

    pub(crate) const fn cloth(rgb: [f32; 3]) -> Self {
        Self {
            rgb,
            grain: 0.13,
            gloss: 0.0,
            marker: false,
        }
    }

    pub(crate) const fn shiny(rgb: [f32; 3]) -> Self {
        Self {
            rgb,
            grain: 0.0,
            gloss: 0.35,
            marker: false,
        }
    }
}

/// Shape of a solid.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Form {
    /// A sphere swept from `a` to `b`, its radius going from `ra` to `rb`.
    RoundCone,
    /// A flat disc about `a` with radius `ra`, facing along `b − a`; seen from the front only.
    Disc,
}

/// A solid at one instant, in the range frame (m) or, after [`Solid::seen_from`], in a camera's.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Solid {
    pub(crate) form: Form,
    pub(crate) a: Point3<f64>,
    pub(crate) b: Point3<f64>,
    pub(crate) ra: f64,
    pub(crate) rb: f64,
    /// Unit direction in which the solid is flattened, and to what fraction; zero vector: round.
    pub(crate) flat: (Vector3<f64>, f64),
    pub(crate) paint: Paint,
    /// Index into the scenario's markers.
    pub(crate) marker: Option<usize>,
    pub(crate) visible: bool,
}

impl Solid {
    pub(crate) fn cone(a: Point3<f64>, b: Point3<f64>, ra: f64, rb: f64, paint: Paint) -> Self {
        Self {
            form: Form::RoundCone,
            a,
            b,
            ra,
            rb,
            flat: (Vector3::zeros(), 1.0),
            paint,
            marker: None,
            visible: true,
        }
    }

    pub(crate) fn ball(centre: Point3<f64>, radius: f64, paint: Paint) -> Self {
        Self::cone(centre, centre, radius, radius, paint)
    }

    pub(crate) fn flattened(mut self, along: Vector3<f64>, fraction: f64) -> Self {
        self.flat = (along.normalize(), fraction);
        self
    }

    pub(crate) fn shown(mut self, visible: bool) -> Self {
        self.visible = visible;
        self
    }

    /// The same solid in another frame.
    pub(crate) fn seen_from(mut self, camera_from_range: &nalgebra::Isometry3<f64>) -> Self {
        self.a = camera_from_range * self.a;
        self.b = camera_from_range * self.b;
        self.flat.0 = camera_from_range.rotation * self.flat.0;
        self
    }
}

/// How a line through the origin passes a solid.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Pass {
    /// How far the line passes outside the surface, in true space (m); negative: through it.
    pub(crate) outside_m: f64,
    /// `t` of the entry point `t · direction`.
    pub(crate) entry: f64,
    /// Outward unit normal at the entry point.
    pub(crate) normal: Vector3<f64>,
}

/// Passes the line `t · direction` by a round cone given in the same frame.
pub(crate) fn pass_cone(solid: &Solid, direction: &Vector3<f64>) -> Pass {
    let (axis, fraction) = solid.flat;
    let stretch = 1.0 / fraction - 1.0;
    let flat = stretch != 0.0;
    let widen = |v: Vector3<f64>| {
        if flat {
            v + axis * (stretch * axis.dot(&v))
        } else {
            v
        }
    };
    let d = widen(*direction);
    let a = widen(solid.a.coords);
    let u = widen(solid.b - solid.a);
    let (dd, du, uu, da, ua) = (d.dot(&d), d.dot(&u), u.dot(&u), d.dot(&a), u.dot(&a));
    let denominator = dd * uu - du * du;
    let along = if denominator > 1e-14 {
        ((du * da - dd * ua) / denominator).clamp(0.0, 1.0)
    } else {
        0.0
    };
    let t = (da + along * du) / dd;
    let away = d * t - a - u * along;
    let distance = away.norm();
    let radius = solid.ra + along * (solid.rb - solid.ra);
    let sideways = if distance > 1e-12 {
        away / distance
    } else {
        Vector3::zeros()
    };
    let shrink = if flat {
        widen(sideways).norm().max(1e-9)
    } else {
        1.0
    };
    let inside = (radius * radius - distance * distance).max(0.0).sqrt();
    let length = dd.sqrt();
    let entry = t - inside / length;
    let normal = (away - d * (inside / length)) / radius.max(1e-9);
    let normal = if flat { widen(normal) } else { normal };
    Pass {
        outside_m: (distance - radius) / shrink,
        entry,
        normal: normal.normalize(),
    }
}

/// Passes the line `t · direction` by a disc; `None` from behind.
pub(crate) fn pass_disc(solid: &Solid, direction: &Vector3<f64>) -> Option<(f64, f64)> {
    let facing = solid.b - solid.a;
    let slope = facing.dot(direction);
    if slope >= -1e-6 * facing.norm() {
        return None;
    }
    let t = facing.dot(&solid.a.coords) / slope;
    let outside = (direction * t - solid.a.coords).norm() - solid.ra;
    Some((outside, t))
}
