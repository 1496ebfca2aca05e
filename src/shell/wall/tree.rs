//! The tree behind the wall measure: facets copied in space-filling order under boxes that also
//! know which way their facets face.
//!
//! The shared tree answers "what is nearest" well, but a wall pass asks half a million times for
//! the largest ball tangent at a point, and that is one descent with a shrinking ball when the
//! traversal may change the ball as it goes (a chain of nearest-point queries costs several).
//! The facing mask lets the opposite-wall query skip the sheet that the point itself lies on.

use nalgebra::Vector3;
use rayon::prelude::*;

use crate::mesh::{Mesh, Point, Shear, Vector};

/// Facets in a leaf: 4 and 8 took the same time on a shell of 400k facets (7.1 and 6.9 s of CPU for
/// four runs, 25 November 2026), and 8 makes half the boxes. Others were not tried.
const LEAF: usize = 8;
/// Subtrees smaller than this are built on one thread: splitting finer only adds overhead.
const PARALLEL_FROM: usize = 8192;
/// How far boxes are padded for `f32` rounding of a query, mm. Meshes are centred first, so a
/// coordinate of 60 mm rounds by 4e-6; below that a ray could slip between boxes, and a pad of
/// 1e-2 would start to cost visits.
const PAD_MM: f32 = 2e-5;

/// A facet's plane in single precision, apart from its corners: one cache line holds a leaf's.
#[derive(Debug, Clone, Copy)]
struct Plane {
    /// Unit normal, out of the material; zero where the facet has no area.
    normal: Vector3<f32>,
    offset: f32,
}

impl Plane {
    /// Signed distance of a point from it, in front positive; good to [`PAD_MM`].
    fn off(&self, p: &Vector3<f32>) -> f32 {
        self.normal.dot(p) - self.offset
    }
}

/// A facet as the queries want it: corners relative to the tree's origin.
#[derive(Debug, Clone, Copy)]
pub(super) struct Item {
    pub corners: [Point; 3],
    /// Unit normal, out of the material; zero where the facet has no area.
    pub normal: Vector3<f32>,
    pub points: [u32; 3],
    pub facet: u32,
}

#[derive(Debug, Clone, Copy, Default)]
struct Node {
    lo: [f32; 3],
    hi: [f32; 3],
    /// Which directions the facets below face: one bit for each of [`bins`].
    mask: u32,
    /// First item of a leaf, or the index of the right child.
    next: u32,
    /// Items in a leaf; 0 for an inner node, whose left child follows it.
    count: u32,
}

/// Boxes over facets.
pub(super) struct Tree {
    nodes: Vec<Node>,
    items: Vec<Item>,
    planes: Vec<Plane>,
    origin: Point,
    bins: [Vector3<f32>; 24],
}

/// A tangent ball that fits.
#[derive(Debug, Clone, Copy)]
pub(super) struct Ball {
    pub radius_mm: f64,
    /// Where it is stopped, relative to the tree's origin.
    pub contact: Vector,
    pub facet: u32,
}

/// The point a ball touches, and what it may sink into there.
#[derive(Debug, Clone, Copy)]
pub(super) struct Seat {
    /// Index of the mesh point.
    pub point: u32,
    /// Its place relative to the tree's origin.
    pub place: Vector,
    /// Unit normal there, away from the side on which the ball lies.
    pub normal: Vector,
    /// How far the ball may enter the sheet it sits on, mm.
    pub slack_mm: f64,
    /// True where the ball lies in the hollow in front of the surface, false for one in material.
    pub hollow: bool,
}

/// Facets turned less than this (cosine of 60°) from a seat belong to the sheet it lies on: a ball
/// stopped there is held by the sheet's own curve, never by an opposite wall.
pub(super) const OWN_SHEET_COS: f32 = 0.5;

impl Tree {
    /// Builds the tree over the facets of `mesh`; `turned[f]` says that facet `f` must be read
    /// the other way round for its normal to point out of the material, and `normals` are unit
    /// normals after that turning. Facets of which `left_out` (which may be empty) says so are not there.
    pub fn new(mesh: &Mesh, turned: &[bool], normals: &[Vector], left_out: &[bool]) -> Self {
        let origin = mesh
            .bounds()
            .map_or_else(Point::origin, |(lo, hi)| nalgebra::center(&lo, &hi));
        let mut items: Vec<Item> = (0..mesh.facets().len())
            .into_par_iter()
            .filter(|&f| !left_out.get(f).is_some_and(|&out| out))
            .map(|f| {
                let [a, b, c] = mesh.corners(f).map(|p| p - origin.coords);
                let [i, j, k] = mesh.facets()[f];
                let flip = turned[f];
                Item {
                    corners: if flip { [a, c, b] } else { [a, b, c] },
                    normal: normals[f].cast(),
                    points: if flip { [i, k, j] } else { [i, j, k] },
                    facet: f as u32,
                }
            })
            .collect();
        let bins = bins();
        let leaves = items.len().div_ceil(LEAF);
        let mut nodes = vec![Node::default(); (2 * leaves).saturating_sub(1)];
        if !items.is_empty() {
            build(&mut nodes, &mut items, 0, 0);
        }
        let plane = |it: &Item| Plane {
            normal: it.normal,
            offset: it.normal.cast::<f64>().dot(&it.corners[0].coords) as f32,
        };
        Self {
            nodes,
            planes: items.par_iter().map(plane).collect(),
            items,
            origin,
            bins,
        }
    }

    /// Where the tree's coordinates are counted from.
    pub fn origin(&self) -> Point {
        self.origin
    }

    /// Facets in space-filling order: neighbours in it are neighbours in space, mostly.
    pub fn items(&self) -> &[Item] {
        &self.items
    }

    /// The largest ball of at most `start_mm` radius that touches `seat` from the side away from
    /// its normal and has no surface inside: the least of |p − q|² / 2n·(p − q) over all surface
    /// points q (Ma, Bae, Choi 2012, as one descent instead of a chain of nearest points).
    /// `None`: nothing stops a ball of `start_mm`.
    pub fn ball(&self, seat: &Seat, start_mm: f64) -> Option<Ball> {
        let mut best = Ball {
            radius_mm: start_mm,
            contact: Vector::zeros(),
            facet: u32::MAX,
        };
        let mut centre = seat.place - start_mm * seat.normal;
        let mut near = Near::new(&centre, best.radius_mm);
        let own = OwnSheet::new(seat);
        let mut stack = Stack::new(self);
        while let Some(at) = stack.pop() {
            let node = &self.nodes[at as usize];
            if node.distance_sq(&near.centre) >= near.radius_sq {
                continue;
            }
            if node.count == 0 {
                stack.push_pair(self, at, &near);
                continue;
            }
            for k in node.next as usize..(node.next + node.count) as usize {
                let plane = &self.planes[k];
                let off = plane.off(&near.centre).abs();
                if off >= near.radius || (off >= near.radius - own.slack && own.faces(plane)) {
                    continue;
                }
                let item = &self.items[k];
                let slack_mm = if own.faces(plane) || item.points.contains(&seat.point) {
                    seat.slack_mm
                } else {
                    0.0
                };
                if shrink(&mut best, &mut centre, seat, item, slack_mm) {
                    best.facet = item.facet;
                    near = Near::new(&centre, best.radius_mm);
                }
            }
        }
        (best.facet != u32::MAX).then_some(best)
    }

    /// The nearest surface point within `within_mm` of `seat` whose facet is turned 120° or more
    /// from the seat's normal and which lies on the side away from it.
    pub fn opposite(&self, seat: &Seat, within_mm: f64) -> Option<(f64, u32)> {
        let wanted = self.facing_away(&seat.normal);
        let normal: Vector3<f32> = seat.normal.cast();
        let mut best = (within_mm * within_mm, u32::MAX);
        let mut near = Near::new(&seat.place, within_mm);
        let mut stack = Stack::new(self);
        while let Some(at) = stack.pop() {
            let node = &self.nodes[at as usize];
            if node.mask & wanted == 0 || node.distance_sq(&near.centre) >= near.radius_sq {
                continue;
            }
            if node.count == 0 {
                stack.push_pair(self, at, &near);
                continue;
            }
            for k in node.next as usize..(node.next + node.count) as usize {
                let plane = &self.planes[k];
                let away = plane.normal.dot(&normal) <= -0.5;
                if !away || plane.off(&near.centre).abs() >= near.radius {
                    continue;
                }
                let q = nearest(&self.items[k], &seat.place);
                let sq = (q - seat.place).norm_squared();
                if sq < best.0 && (seat.place - q).dot(&seat.normal) > 0.0 {
                    best = (sq, self.items[k].facet);
                    near = Near::new(&seat.place, sq.sqrt());
                }
            }
        }
        (best.1 != u32::MAX).then(|| (best.0.sqrt(), best.1))
    }

    fn facing_away(&self, normal: &Vector) -> u32 {
        let n: Vector3<f32> = normal.cast();
        // A facet facing 120° away lies in a bin whose middle is at most BIN_RADIUS nearer.
        let mut mask = 0;
        for (k, bin) in self.bins.iter().enumerate() {
            mask |= u32::from(bin.dot(&n) < (120.0_f32 - BIN_RADIUS_DEG).to_radians().cos()) << k;
        }
        mask
    }

    fn leaf(&self, node: &Node) -> &[Item] {
        &self.items[node.next as usize..][..node.count as usize]
    }

    /// The first place where the ray from `place` along the unit vector `dir` leaves material,
    /// passing over facets at mesh point `but`; distance and facet.
    pub fn leaves_at(&self, place: &Vector, dir: &Vector, but: u32) -> Option<(f64, u32)> {
        self.first_hit(place, dir, but, 1.0, f64::INFINITY)
    }

    /// The distance to the first place where the ray enters material, likewise, if within `within_mm`.
    pub fn enters_at(&self, place: &Vector, dir: &Vector, but: u32, within_mm: f64) -> Option<f64> {
        self.first_hit(place, dir, but, -1.0, within_mm)
            .map(|(t, _)| t)
    }

    fn first_hit(
        &self,
        place: &Vector,
        dir: &Vector,
        but: u32,
        way: f64,
        within_mm: f64,
    ) -> Option<(f64, u32)> {
        let ray = Ray::new(place, dir);
        let way = way as f32 * dir.cast::<f32>();
        let mut best = (within_mm, u32::MAX);
        let mut stack = Stack::new(self);
        while let Some(at) = stack.pop() {
            let node = &self.nodes[at as usize];
            if ray.enters(node, best.0).is_none() {
                continue;
            }
            if node.count == 0 {
                ray.push_pair(self, at, best.0, &mut stack);
                continue;
            }
            for k in node.next as usize..(node.next + node.count) as usize {
                if self.planes[k].normal.dot(&way) <= 0.0 {
                    continue;
                }
                let item = &self.items[k];
                if item.points.contains(&but) {
                    continue;
                }
                if let Some(t) = ray.shear.hit(&ray.from, item.corners)
                    && t > 1e-9
                    && (t, item.facet) < best
                {
                    best = (t, item.facet);
                }
            }
        }
        (best.1 != u32::MAX).then_some(best)
    }

    /// Does the ray from `place` along `dir` meet any facet but `but`?
    pub fn blocked(&self, place: &Vector, dir: &Vector, but: u32) -> bool {
        let ray = Ray::new(place, dir);
        let mut stack = Stack::new(self);
        while let Some(at) = stack.pop() {
            let node = &self.nodes[at as usize];
            if ray.enters(node, f64::INFINITY).is_none() {
                continue;
            }
            if node.count == 0 {
                stack.push(node.next);
                stack.push(at + 1);
                continue;
            }
            for item in self.leaf(node) {
                let hit = ray.shear.hit(&ray.from, item.corners);
                if item.facet != but && hit.is_some_and(|t| t > 1e-9) {
                    return true;
                }
            }
        }
        false
    }
}

/// A ray with what its box and facet tests need worked out once.
struct Ray {
    from: Point,
    inverse: [f64; 3],
    shear: Shear,
}

impl Ray {
    fn new(place: &Vector, dir: &Vector) -> Self {
        // A component of exactly 0 would give 0·∞ = NaN on a box's face; a speck off it does not.
        let inverse = [0, 1, 2].map(|k| {
            let d: f64 = dir[k];
            1.0 / if d.abs() < 1e-30 { 1e-30 } else { d }
        });
        Self {
            from: Point::from(*place),
            inverse,
            shear: Shear::new(dir),
        }
    }

    /// Where the ray enters a node's padded box, if it does so before `until`.
    fn enters(&self, node: &Node, until: f64) -> Option<f64> {
        let (mut t0, mut t1) = (0.0_f64, until);
        for k in 0..3 {
            let a = (f64::from(node.lo[k] - PAD_MM) - self.from[k]) * self.inverse[k];
            let b = (f64::from(node.hi[k] + PAD_MM) - self.from[k]) * self.inverse[k];
            t0 = t0.max(a.min(b));
            t1 = t1.min(a.max(b));
        }
        (t0 <= t1).then_some(t0)
    }

    fn push_pair(&self, tree: &Tree, parent: u32, until: f64, stack: &mut Stack) {
        let (right, left) = (tree.nodes[parent as usize].next, parent + 1);
        let l = self.enters(&tree.nodes[left as usize], until);
        let r = self.enters(&tree.nodes[right as usize], until);
        match (l, r) {
            (Some(l), Some(r)) => {
                let (first, second) = if l <= r { (left, right) } else { (right, left) };
                stack.push(second);
                stack.push(first);
            }
            (Some(_), None) => stack.push(left),
            (None, Some(_)) => stack.push(right),
            (None, None) => {}
        }
    }
}

/// A ball in single precision, with what rounding may hide added to it.
struct Near {
    centre: Vector3<f32>,
    radius: f32,
    radius_sq: f32,
}

impl Near {
    fn new(centre: &Vector, radius_mm: f64) -> Self {
        let radius = radius_mm as f32 + PAD_MM;
        Self {
            centre: centre.cast(),
            radius,
            radius_sq: radius * radius,
        }
    }
}

/// Which facets belong to the sheet that a ball sits on.
struct OwnSheet {
    outward: Vector3<f32>,
    slack: f32,
}

impl OwnSheet {
    fn new(seat: &Seat) -> Self {
        let outward = if seat.hollow {
            -seat.normal
        } else {
            seat.normal
        };
        Self {
            outward: outward.cast(),
            slack: seat.slack_mm as f32,
        }
    }

    /// Facets without a direction are taken for its own: they must not stop a ball by themselves.
    fn faces(&self, plane: &Plane) -> bool {
        plane.normal.dot(&self.outward) > OWN_SHEET_COS || plane.normal == Vector3::zeros()
    }
}

/// Lets one facet shrink the ball; true if it did.
fn shrink(best: &mut Ball, centre: &mut Vector, seat: &Seat, item: &Item, slack: f64) -> bool {
    let mut changed = false;
    // Each round puts the ball on the nearest point of this facet; the error squares every time,
    // 2 to 4 rounds were seen on shells, 12 only on slivers.
    for _ in 0..30 {
        let q = nearest(item, centre);
        let reach = best.radius_mm - slack;
        if reach <= 0.0 || (q - *centre).norm_squared() >= reach * reach * (1.0 - 1e-12) {
            break;
        }
        let v = seat.place - q;
        let below = v.dot(&seat.normal) - slack;
        let radius_mm = if below > 0.0 {
            ((v.norm_squared() - slack * slack) / (2.0 * below)).max(0.0)
        } else {
            0.0
        };
        if radius_mm >= best.radius_mm {
            break;
        }
        let step = best.radius_mm - radius_mm;
        best.radius_mm = radius_mm;
        best.contact = q;
        *centre = seat.place - radius_mm * seat.normal;
        changed = true;
        if step < 1e-9 {
            break;
        }
    }
    changed
}

/// The facet's point nearest to `p`, in the tree's coordinates.
pub(super) fn nearest(item: &Item, p: &Vector) -> Vector {
    let [a, b, c] = &item.corners;
    crate::mesh::nearest_on_triangle(&Point::from(*p), a, b, c).coords
}

impl Node {
    fn distance_sq(&self, p: &Vector3<f32>) -> f32 {
        let mut sum = 0.0;
        for k in 0..3 {
            let d = (self.lo[k] - p[k]).max(p[k] - self.hi[k]).max(0.0);
            sum += d * d;
        }
        sum
    }
}

/// The nodes still to visit, nearest child on top.
struct Stack {
    nodes: [u32; 64],
    len: usize,
}

impl Stack {
    fn new(tree: &Tree) -> Self {
        Self {
            nodes: [0; 64],
            len: usize::from(!tree.nodes.is_empty()),
        }
    }

    fn pop(&mut self) -> Option<u32> {
        self.len = self.len.checked_sub(1)?;
        Some(self.nodes[self.len])
    }

    /// The tree is balanced by count, so 2³² facets need 32 levels: 64 places always suffice.
    fn push(&mut self, node: u32) {
        self.nodes[self.len] = node;
        self.len += 1;
    }

    /// Pushes those children that the ball reaches.
    fn push_pair(&mut self, tree: &Tree, parent: u32, near: &Near) {
        let (right, left) = (tree.nodes[parent as usize].next, parent + 1);
        let to = |child: u32| tree.nodes[child as usize].distance_sq(&near.centre);
        let (l, r) = (to(left), to(right));
        let ((first, d1), (second, d2)) = if r < l {
            ((right, r), (left, l))
        } else {
            ((left, l), (right, r))
        };
        if d2 < near.radius_sq {
            self.push(second);
        }
        if d1 < near.radius_sq {
            self.push(first);
        }
    }
}

/// Largest angle between a direction and the middle of its bin (a cube face cut in four; the worst
/// place is a face's middle, 35.3°), rounded up.
const BIN_RADIUS_DEG: f32 = 35.5;

fn bins() -> [Vector3<f32>; 24] {
    let mut out = [Vector3::zeros(); 24];
    for (k, bin) in out.iter_mut().enumerate() {
        let (axis, sign) = (k / 8, if k & 4 == 0 { 1.0 } else { -1.0 });
        let mut d = Vector3::zeros();
        d[axis] = sign;
        d[(axis + 1) % 3] = if k & 1 == 0 { 0.5 } else { -0.5 };
        d[(axis + 2) % 3] = if k & 2 == 0 { 0.5 } else { -0.5 };
        *bin = d.normalize();
    }
    out
}

fn bin_of(n: &Vector3<f32>) -> u32 {
    if *n == Vector3::zeros() {
        return 0;
    }
    let axis = n.iamax();
    let bit = |k: usize, at: u32| u32::from(n[k % 3] < 0.0) << at;
    let k = axis as u32 * 8 + bit(axis, 2) + bit(axis + 1, 0) + bit(axis + 2, 1);
    1 << k
}

/// Fills `nodes` (exactly 2·leaves − 1 of them) for `items`, splitting the longer side at a whole
/// number of leaves. `at` and `first` are the indices of `nodes[0]` and `items[0]` in the whole.
fn build(nodes: &mut [Node], items: &mut [Item], at: u32, first: u32) {
    if items.len() <= LEAF {
        nodes[0] = leaf(items, first);
        return;
    }
    let middle = |it: &Item, k: usize| it.corners[0][k] + it.corners[1][k] + it.corners[2][k];
    let (mut lo, mut hi) = ([f64::MAX; 3], [f64::MIN; 3]);
    for it in items.iter() {
        for k in 0..3 {
            lo[k] = lo[k].min(middle(it, k));
            hi[k] = hi[k].max(middle(it, k));
        }
    }
    let axis = (0..3)
        .max_by(|&x, &y| (hi[x] - lo[x]).total_cmp(&(hi[y] - lo[y])))
        .unwrap_or(0);
    let left_leaves = items.len().div_ceil(LEAF) / 2;
    let cut = left_leaves * LEAF;
    items.select_nth_unstable_by(cut, |x, y| {
        middle(x, axis)
            .total_cmp(&middle(y, axis))
            .then(x.facet.cmp(&y.facet))
    });
    let (left_items, right_items) = items.split_at_mut(cut);
    let (head, rest) = nodes.split_at_mut(1);
    let (left, right) = rest.split_at_mut(2 * left_leaves - 1);
    let right_at = at + 2 * left_leaves as u32;
    let right_first = first + cut as u32;
    let mut go_left = || build(left, left_items, at + 1, first);
    let mut go_right = || build(right, right_items, right_at, right_first);
    if cut >= PARALLEL_FROM {
        rayon::join(go_left, go_right);
    } else {
        go_left();
        go_right();
    }
    head[0] = join(&left[0], &right[0], right_at);
}

fn leaf(items: &[Item], first: u32) -> Node {
    let mut node = Node {
        lo: [f32::MAX; 3],
        hi: [f32::MIN; 3],
        mask: 0,
        next: first,
        count: items.len() as u32,
    };
    for it in items {
        node.mask |= bin_of(&it.normal);
        for c in &it.corners {
            for k in 0..3 {
                node.lo[k] = node.lo[k].min((c[k] as f32).next_down());
                node.hi[k] = node.hi[k].max((c[k] as f32).next_up());
            }
        }
    }
    node
}

fn join(a: &Node, b: &Node, right: u32) -> Node {
    let mut node = Node {
        mask: a.mask | b.mask,
        next: right,
        count: 0,
        ..*a
    };
    for k in 0..3 {
        node.lo[k] = a.lo[k].min(b.lo[k]);
        node.hi[k] = a.hi[k].max(b.hi[k]);
    }
    node
}
