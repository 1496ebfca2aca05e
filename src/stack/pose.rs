//! Where a part stands: a turn and the place of its middle. Plain data, shared by the search and
//! by the certificate, which trusts nothing about it.

use nalgebra::Matrix3;

use crate::mesh::{Point, Vector};

/// Rigid placement of a part whose own frame has its origin in the middle of its box.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pose {
    /// The part's axes as columns, in the frame of the cavity.
    pub turn: Matrix3<f64>,
    /// Middle of the part's box, mm.
    pub middle: Point,
}

impl Pose {
    /// Axes along those of the cavity's file, middle at `middle`.
    #[must_use]
    pub fn upright(middle: Point) -> Self {
        Self {
            turn: Matrix3::identity(),
            middle,
        }
    }

    /// The 4 × 4 matrix, row by row.
    #[must_use]
    pub fn rows(&self) -> [f64; 16] {
        let (r, m) = (&self.turn, &self.middle);
        let mut out = [0.0; 16];
        for i in 0..3 {
            for j in 0..3 {
                out[4 * i + j] = r[(i, j)];
            }
            out[4 * i + 3] = m[i];
        }
        out[15] = 1.0;
        out
    }

    /// Takes the 4 × 4 matrix apart, row by row; whether it is rigid is for
    /// [`crate::stack::certificate`] to say. The last row is not looked at.
    #[must_use]
    pub fn from_rows(rows: &[f64; 16]) -> Self {
        Self {
            turn: Matrix3::new(
                rows[0], rows[1], rows[2], rows[4], rows[5], rows[6], rows[8], rows[9], rows[10],
            ),
            middle: Point::new(rows[3], rows[7], rows[11]),
        }
    }

    /// A point of the part's own frame, placed.
    #[must_use]
    pub fn place(&self, own: &Vector) -> Point {
        self.middle + self.turn * own
    }

    /// The same pose with figures cut to ten decimals, as they are printed: turned by 1e-10 at
    /// most, so it stays rigid to 1e-9.
    #[must_use]
    pub fn as_printed(&self) -> Self {
        let cut = |x: f64| (x * 1e10).round() / 1e10;
        Self {
            turn: self.turn.map(cut),
            middle: self.middle.map(cut),
        }
    }
}
