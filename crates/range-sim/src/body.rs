//! A person: joints, and the solids around them.

use crate::solid::{Paint, Solid};
use nalgebra::{Point3, Vector3};

/// Colours of a person, linear RGB.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Palette {
    pub(crate) skin: [f32; 3],
    pub(crate) shirt: [f32; 3],
    pub(crate) trousers: [f32; 3],
    pub(crate) shoes: [f32; 3],
    pub(crate) hair: [f32; 3],
    pub(crate) cap: Option<[f32; 3]>,
}

/// Joints of a person (m). Index 0 is the left, 1 the right limb of the person; in a mirror image the other way
/// round.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Body {
    pub(crate) height: f64,
    /// Horizontal unit vector out of the chest.
    pub(crate) facing: Vector3<f64>,
    /// Horizontal unit vector out of the face.
    pub(crate) gaze: Vector3<f64>,
    pub(crate) pelvis: Point3<f64>,
    pub(crate) chest: Point3<f64>,
    pub(crate) neck: Point3<f64>,
    pub(crate) head: Point3<f64>,
    pub(crate) shoulders: [Point3<f64>; 2],
    pub(crate) elbows: [Point3<f64>; 2],
    pub(crate) wrists: [Point3<f64>; 2],
    /// Where the fingers end.
    pub(crate) fingers: [Point3<f64>; 2],
    pub(crate) hips: [Point3<f64>; 2],
    pub(crate) knees: [Point3<f64>; 2],
    pub(crate) ankles: [Point3<f64>; 2],
    pub(crate) toes: [Point3<f64>; 2],
}

/// The middle joint of a limb of two bones that reaches from `root` to `tip`, bent toward `pole`; a limb
/// that is too short stays straight.
pub(crate) fn middle_joint(
    root: Point3<f64>,
    tip: Point3<f64>,
    upper: f64,
    lower: f64,
    pole: Vector3<f64>,
) -> Point3<f64> {
    let way = tip - root;
    let distance = way.norm().max(1e-6);
    let reach = distance.min((upper + lower) * 0.9995);
    let along = (upper * upper - lower * lower + reach * reach) / (2.0 * reach);
    let out = (upper * upper - along * along).max(0.0).sqrt();
    let axis = way / distance;
    let aside = pole - axis * pole.dot(&axis);
    let aside = aside.try_normalize(1e-9).unwrap_or_else(Vector3::zeros);
    root + axis * (along * distance / reach.max(1e-6)).min(upper) + aside * out
}

impl Body {
    /// Fills knees from hips and ankles, bent the way the person faces.
    pub(crate) fn bend_knees(&mut self) {
        for k in 0..2 {
            self.knees[k] = middle_joint(
                self.hips[k],
                self.ankles[k],
                0.245 * self.height,
                0.246 * self.height,
                self.facing,
            );
        }
    }

    /// The solids of trunk, head, legs and arms. Always the same number in the same order.
    pub(crate) fn solids(&self, palette: &Palette) -> Vec<Solid> {
        let paints = Paints::of(palette);
        let mut out = Vec::with_capacity(64);
        self.legs(&paints, &mut out);
        self.trunk(&paints, &mut out);
        self.girdle(paints.shirt, &mut out);
        self.face(&paints, &mut out);
        self.hair(&paints, palette.cap.is_some(), &mut out);
        self.arms(&paints, &mut out);
        out
    }

    /// Size against a person of 1.75 m.
    fn scale(&self) -> f64 {
        self.height / 1.75
    }

    /// Horizontal unit vector along the shoulders, toward the limbs of index 0: the left in anybody but the mirror
    /// image of somebody else.
    fn toward_first(&self) -> Vector3<f64> {
        let left = Vector3::z().cross(&self.facing);
        let across = self.shoulders[0] - self.shoulders[1];
        left * 1.0_f64.copysign(across.dot(&left))
    }

    fn legs(
        &self,
        &Paints {
            trousers, shoes, ..
        }: &Paints,
        out: &mut Vec<Solid>,
    ) {
        let s = self.scale();
        for k in 0..2 {
            out.push(Solid::cone(
                self.hips[k],
                self.knees[k],
                0.086 * s,
                0.058 * s,
                trousers,
            ));
            out.push(Solid::cone(
                self.knees[k],
                self.ankles[k],
                0.058 * s,
                0.046 * s,
                trousers,
            ));
            let heel = self.ankles[k] + Vector3::new(0.0, 0.0, -0.045 * s);
            let sole = self.toes[k];
            out.push(Solid::cone(heel, sole, 0.040 * s, 0.034 * s, shoes));
        }
    }

    /// Hips, waist, chest; flattened front to back.
    fn trunk(
        &self,
        &Paints {
            trousers, shirt, ..
        }: &Paints,
        out: &mut Vec<Solid>,
    ) {
        let s = self.scale();
        let up = Vector3::z();
        let first = self.toward_first();
        let spread = first * (0.075 * s);
        let hip_line = self.pelvis;
        out.push(
            Solid::cone(
                hip_line - spread,
                hip_line + spread,
                0.098 * s,
                0.098 * s,
                trousers,
            )
            .flattened(self.facing, 0.84),
        );
        let waist = self.pelvis + (self.chest - self.pelvis) * 0.45;
        let narrow = first * (0.055 * s);
        for (from, to, r0, r1) in [
            (
                hip_line + up * (0.03 * s) - spread,
                waist - narrow,
                0.108 * s,
                0.100 * s,
            ),
            (
                hip_line + up * (0.03 * s) + spread,
                waist + narrow,
                0.108 * s,
                0.100 * s,
            ),
            (hip_line + up * (0.03 * s), waist, 0.118 * s, 0.125 * s),
        ] {
            out.push(Solid::cone(from, to, r0, r1, shirt).flattened(self.facing, 0.80));
        }
        let wide = first * (0.082 * s);
        out.push(
            Solid::cone(
                waist - narrow,
                self.chest - wide,
                0.100 * s,
                0.108 * s,
                shirt,
            )
            .flattened(self.facing, 0.84),
        );
        out.push(
            Solid::cone(
                waist + narrow,
                self.chest + wide,
                0.100 * s,
                0.108 * s,
                shirt,
            )
            .flattened(self.facing, 0.84),
        );
        out.push(
            Solid::cone(waist, self.chest, 0.125 * s, 0.125 * s, shirt)
                .flattened(self.facing, 0.86),
        );
    }

    /// From the chest to shoulders and neck.
    fn girdle(&self, shirt: Paint, out: &mut Vec<Solid>) {
        let s = self.scale();
        let wide = self.toward_first() * (0.082 * s);
        for k in 0..2 {
            let side = if k == 0 { wide } else { -wide };
            out.push(
                Solid::cone(
                    self.chest + side,
                    self.shoulders[k],
                    0.100 * s,
                    0.058 * s,
                    shirt,
                )
                .flattened(self.facing, 0.9),
            );
            out.push(Solid::cone(
                self.neck,
                self.shoulders[k],
                0.056 * s,
                0.054 * s,
                shirt,
            ));
        }
        out.push(Solid::cone(
            self.chest,
            self.neck,
            0.115 * s,
            0.060 * s,
            shirt,
        ));
    }

    /// Neck, skull, face.
    fn face(&self, &Paints { skin, hair, .. }: &Paints, out: &mut Vec<Solid>) {
        let s = self.scale();
        let up = Vector3::z();
        out.push(Solid::cone(
            self.neck,
            self.head + up * (-0.03 * s),
            0.054 * s,
            0.052 * s,
            skin,
        ));
        let face = self.gaze;
        let skull = self.head + up * (0.022 * s);
        out.push(Solid::ball(skull, 0.092 * s, skin).flattened(face.cross(&up), 0.84));
        out.push(
            Solid::cone(
                self.head + face * (0.018 * s),
                self.head + face * (0.042 * s) - up * (0.062 * s),
                0.070 * s,
                0.040 * s,
                skin,
            )
            .flattened(face.cross(&up), 0.88),
        );
        let nose = self.head + face * (0.088 * s) - up * (0.004 * s);
        out.push(Solid::cone(
            nose + up * (0.03 * s) - face * (0.008 * s),
            nose,
            0.010 * s,
            0.014 * s,
            skin,
        ));
        for side in [face.cross(&up), -face.cross(&up)] {
            let eye = self.head + face * (0.0795 * s) + up * (0.024 * s) + side * (0.031 * s);
            out.push(
                Solid::ball(eye, 0.0085 * s, Paint::shiny([0.05, 0.035, 0.03]))
                    .flattened(face, 0.6),
            );
            let brow = eye + up * (0.017 * s) + face * (0.002 * s);
            let half = side * (0.012 * s);
            out.push(Solid::cone(
                brow - half,
                brow + half,
                0.004 * s,
                0.003 * s,
                hair,
            ));
        }
        let ear = face.cross(&up) * (0.077 * s);
        for side in [ear, -ear] {
            let at = self.head - face * (0.008 * s) + side;
            out.push(
                Solid::cone(
                    at + up * (0.018 * s),
                    at - up * (0.018 * s),
                    0.016 * s,
                    0.012 * s,
                    skin,
                )
                .flattened(face.cross(&up), 0.5),
            );
        }
    }

    fn hair(&self, &Paints { hair, cap, .. }: &Paints, capped: bool, out: &mut Vec<Solid>) {
        let s = self.scale();
        let (up, face) = (Vector3::z(), self.gaze);
        let skull = self.head + up * (0.022 * s);
        let hair_at = skull - face * (0.026 * s) + up * (0.014 * s);
        out.push(Solid::ball(hair_at, 0.095 * s, hair).flattened(face.cross(&up), 0.86));
        out.push(Solid::cone(
            hair_at - face * (0.03 * s),
            hair_at - face * (0.035 * s) - up * (0.075 * s),
            0.070 * s,
            0.045 * s,
            hair,
        ));
        let crown = skull + up * (0.030 * s);
        out.push(
            Solid::ball(crown, 0.094 * s, cap)
                .flattened(face.cross(&up), 0.88)
                .shown(capped),
        );
        let brim = crown + face * (0.085 * s) - up * (0.002 * s);
        out.push(
            Solid::cone(
                brim - face * (0.02 * s),
                brim + face * (0.045 * s),
                0.058 * s,
                0.045 * s,
                cap,
            )
            .flattened(up, 0.14)
            .shown(capped),
        );
    }

    /// Arms with sleeves to the middle of the upper arm, then skin.
    fn arms(&self, &Paints { skin, shirt, .. }: &Paints, out: &mut Vec<Solid>) {
        let s = self.scale();
        for k in 0..2 {
            let sleeve_end = self.shoulders[k] + (self.elbows[k] - self.shoulders[k]) * 0.62;
            out.push(Solid::cone(
                self.shoulders[k],
                self.elbows[k],
                0.046 * s,
                0.036 * s,
                skin,
            ));
            out.push(Solid::cone(
                self.shoulders[k],
                sleeve_end,
                0.058 * s,
                0.055 * s,
                shirt,
            ));
            let belly = self.elbows[k] + (self.wrists[k] - self.elbows[k]) * 0.3;
            out.push(Solid::cone(
                self.elbows[k],
                belly,
                0.030 * s,
                0.043 * s,
                skin,
            ));
            out.push(Solid::cone(
                belly,
                self.wrists[k],
                0.043 * s,
                0.027 * s,
                skin,
            ));
            let palm = self.wrists[k] + (self.fingers[k] - self.wrists[k]) * 0.55;
            out.push(Solid::cone(
                self.wrists[k],
                palm,
                0.027 * s,
                0.037 * s,
                skin,
            ));
            out.push(Solid::cone(
                palm,
                self.fingers[k],
                0.035 * s,
                0.022 * s,
                skin,
            ));
        }
    }
}

/// Surfaces of a person.
#[derive(Debug, Clone, Copy)]
struct Paints {
    skin: Paint,
    shirt: Paint,
    trousers: Paint,
    shoes: Paint,
    hair: Paint,
    cap: Paint,
}

impl Paints {
    fn of(palette: &Palette) -> Self {
        Self {
            skin: Paint {
                rgb: palette.skin,
                grain: 0.06,
                gloss: 0.06,
                marker: false,
            },
            shirt: Paint::cloth(palette.shirt),
            trousers: Paint::cloth(palette.trousers),
            shoes: Paint::matt(palette.shoes),
            hair: Paint {
                rgb: palette.hair,
                grain: 0.35,
                gloss: 0.1,
                marker: false,
            },
            cap: Paint::cloth(palette.cap.unwrap_or(palette.hair)),
        }
    }
}
