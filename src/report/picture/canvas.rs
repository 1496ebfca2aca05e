//! A picture in memory with a depth a pixel: triangles, lines of a width, boxes. Drawn at twice the
//! size and halved at the end, which smooths every edge alike. No graphics card, no threads that
//! race: the same bytes every time.

use crate::report::colours::Rgb;

/// Every length given to a canvas is in pixels of the finished picture.
const FINE: usize = 2;

pub(super) struct Canvas {
    wide: usize,
    high: usize,
    colour: Vec<Rgb>,
    depth: Vec<f32>,
    /// What is drawn may only fall inside: left, top, right, bottom.
    clip: [usize; 4],
}

/// A corner on the screen: place, nearness (greater hides less), light, and a figure.
#[derive(Debug, Clone, Copy)]
pub(super) struct Corner {
    pub x: f64,
    pub y: f64,
    pub near: f64,
    pub light: f64,
    pub value: f64,
}

/// How a line is drawn over what is there.
#[derive(Debug, Clone, Copy)]
pub(super) struct Pen {
    pub colour: Rgb,
    pub width: f64,
    /// Share of the colour where something hides the line.
    pub hidden: f64,
}

impl Canvas {
    pub fn new(wide: usize, high: usize, ground: Rgb) -> Self {
        let (wide, high) = (wide * FINE, high * FINE);
        Self {
            wide,
            high,
            colour: vec![ground; wide * high],
            depth: vec![f32::NEG_INFINITY; wide * high],
            clip: [0, 0, wide, high],
        }
    }

    /// Draws only inside this box from now on, in front of nothing.
    pub fn within(&mut self, x: usize, y: usize, wide: usize, high: usize) {
        self.clip = [x, y, x + wide, y + high].map(|v| v * FINE);
        self.clip[2] = self.clip[2].min(self.wide);
        self.clip[3] = self.clip[3].min(self.high);
        self.depth.fill(f32::NEG_INFINITY);
    }

    fn mix(&mut self, at: usize, colour: Rgb, share: f64) {
        let under = self.colour[at];
        self.colour[at] = std::array::from_fn(|k| {
            let (a, b) = (f64::from(under[k]), f64::from(colour[k]));
            (a + (b - a) * share).round() as u8
        });
    }

    /// Fills a triangle; `paint` gives a pixel's colour from light, figure, and place. `solid` less
    /// than one lets through what is behind, and hides nothing.
    pub fn triangle(
        &mut self,
        corners: &[Corner; 3],
        solid: f64,
        paint: impl Fn(f64, f64, usize, usize) -> Rgb,
    ) {
        let p = corners.map(|c| [c.x * FINE as f64, c.y * FINE as f64]);
        let area =
            (p[1][0] - p[0][0]) * (p[2][1] - p[0][1]) - (p[2][0] - p[0][0]) * (p[1][1] - p[0][1]);
        if !area.is_finite() || area.abs() < 1e-9 {
            return;
        }
        let span = |k: usize, low: usize, high: usize| {
            let least = p.iter().map(|q| q[k]).fold(f64::INFINITY, f64::min);
            let most = p.iter().map(|q| q[k]).fold(f64::NEG_INFINITY, f64::max);
            let from = (least - 0.5).ceil().max(low as f64) as usize;
            let to = (most + 0.5).floor().min(high as f64).max(0.0) as usize;
            from..to.max(from)
        };
        let [left, top, right, bottom] = self.clip;
        for y in span(1, top, bottom) {
            let cy = y as f64 + 0.5;
            for x in span(0, left, right) {
                let cx = x as f64 + 0.5;
                let edge = |a: usize, b: usize| {
                    ((p[b][0] - p[a][0]) * (cy - p[a][1]) - (cx - p[a][0]) * (p[b][1] - p[a][1]))
                        / area
                };
                let w = [edge(1, 2), edge(2, 0), edge(0, 1)];
                if w.iter().any(|&v| v < 0.0) {
                    continue;
                }
                let of = |f: fn(&Corner) -> f64| -> f64 {
                    corners.iter().zip(w).map(|(c, w)| f(c) * w).sum()
                };
                let near = of(|c| c.near) as f32;
                let at = y * self.wide + x;
                if near <= self.depth[at] {
                    continue;
                }
                let colour = paint(of(|c| c.light), of(|c| c.value), x / FINE, y / FINE);
                if solid < 1.0 {
                    self.mix(at, colour, solid);
                } else {
                    self.colour[at] = colour;
                    self.depth[at] = near;
                }
            }
        }
    }

    /// A line from one place to another, at a nearness each.
    pub fn line(&mut self, from: [f64; 3], to: [f64; 3], pen: Pen) {
        let f = FINE as f64;
        let (a, b) = ([from[0] * f, from[1] * f], [to[0] * f, to[1] * f]);
        let half = 0.5 * pen.width * f;
        let along = [b[0] - a[0], b[1] - a[1]];
        let square = along[0] * along[0] + along[1] * along[1];
        let [left, top, right, bottom] = self.clip;
        let range = |k: usize, low: usize, high: usize| {
            let from = (a[k].min(b[k]) - half).floor().max(low as f64) as usize;
            let to = (a[k].max(b[k]) + half + 1.0).min(high as f64).max(0.0) as usize;
            from..to.max(from)
        };
        if !square.is_finite() {
            return;
        }
        for y in range(1, top, bottom) {
            for x in range(0, left, right) {
                let d = [x as f64 + 0.5 - a[0], y as f64 + 0.5 - a[1]];
                let t = if square > 0.0 {
                    ((d[0] * along[0] + d[1] * along[1]) / square).clamp(0.0, 1.0)
                } else {
                    0.0
                };
                let off = (d[0] - t * along[0]).powi(2) + (d[1] - t * along[1]).powi(2);
                if off > half * half {
                    continue;
                }
                let at = y * self.wide + x;
                let near = (from[2] + (to[2] - from[2]) * t) as f32;
                let hides = near < self.depth[at];
                self.mix(at, pen.colour, if hides { pen.hidden } else { 1.0 });
            }
        }
    }

    /// A filled box.
    pub fn block(&mut self, x: f64, y: f64, wide: f64, high: f64, colour: Rgb) {
        let f = FINE as f64;
        let [left, top, right, bottom] = self.clip;
        let clamp = |v: f64, low: usize, high: usize| {
            (v * f).round().clamp(low as f64, high as f64) as usize
        };
        for row in clamp(y, top, bottom)..clamp(y + high, top, bottom) {
            let (from, to) = (clamp(x, left, right), clamp(x + wide, left, right));
            self.colour[row * self.wide + from..row * self.wide + to].fill(colour);
        }
    }

    /// A filled disc.
    pub fn disc(&mut self, x: f64, y: f64, radius: f64, colour: Rgb) {
        let pen = Pen {
            colour,
            width: 2.0 * radius,
            hidden: 1.0,
        };
        self.line([x, y, 0.0], [x, y, 0.0], pen);
    }

    /// Text, a capital `size` high; gives where it ends.
    pub fn text(&mut self, says: &str, x: f64, y: f64, size: f64, colour: Rgb) -> f64 {
        let (strokes, end) = super::font::text(says, x, y, size);
        let pen = Pen {
            colour,
            width: (size / 7.0).max(1.1),
            hidden: 1.0,
        };
        for run in strokes {
            for pair in run.windows(2) {
                self.line(
                    [pair[0][0], pair[0][1], 0.0],
                    [pair[1][0], pair[1][1], 0.0],
                    pen,
                );
            }
        }
        end
    }

    /// Halves the picture and gives it as PNG.
    pub fn png(&self) -> Vec<u8> {
        let (wide, high) = (self.wide / FINE, self.high / FINE);
        let mut plain = Vec::with_capacity(wide * high * 3);
        for y in 0..high {
            for x in 0..wide {
                for k in 0..3 {
                    let sum: u32 = (0..FINE * FINE)
                        .map(|i| {
                            let at = (y * FINE + i / FINE) * self.wide + x * FINE + i % FINE;
                            u32::from(self.colour[at][k])
                        })
                        .sum();
                    plain.push(((sum + 2) / (FINE * FINE) as u32) as u8);
                }
            }
        }
        let mut out = Vec::new();
        let mut encoder = png::Encoder::new(&mut out, wide as u32, high as u32);
        encoder.set_color(png::ColorType::Rgb);
        encoder.set_depth(png::BitDepth::Eight);
        // Writing to memory can't fail, and the length is that of the head just written.
        let written = encoder
            .write_header()
            .and_then(|mut w| w.write_image_data(&plain));
        debug_assert!(written.is_ok(), "{written:?}");
        out
    }
}
