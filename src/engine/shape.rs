//! What part of a frame an output shows: shapes derived from the recipe's one crop.
//!
//! All shapes follow the same sitter's landmarks, so that in every output of a set heads have one size
//! and place. A shape lies inside of the recipe's crop wherever the head leaves it room there; only a
//! shape that needs more (a banner, a print that is wider than high) reaches beyond. Lengths are
//! pixels of the upright frame.
//!
//! Where the frame lacks room, the part is shifted into it, and made smaller if need be as long as the
//! head stays whole; the output then needs attention. A banner may ask for more wall instead: where the
//! recipe makes the wall even and the frame's edge shows nothing but wall, that wall is mirrored
//! outwards. A part that cannot hold the head is refused: nobody wants half a face under their name.

use crate::operations::crop::{self, Missing};
use crate::operations::values::Aspect;
use crate::picture::{Rect, Size};
use crate::regions::{Attention, Marks, Region, Regions};

use super::Found;

/// What part an output shows.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub enum Shape {
    /// The recipe's crop.
    #[default]
    Recipe,
    /// As much of it as a width to height allows, eyes where the recipe has them.
    Aspect(Aspect),
    /// A square whose inscribed circle holds the whole head with its hair.
    Circle,
    /// A wide picture with the sitter to one side and wall on the other.
    Banner {
        /// Wider than high.
        aspect: Aspect,
        /// Where the sitter is.
        sitter: Beside,
        /// Whether wall is added where the frame has too little.
        extend_wall: bool,
    },
}

/// A side of the picture, as the viewer sees it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Beside {
    /// The sitter is to the left.
    Left,
    /// The sitter is to the right.
    Right,
}

/// The part of the frame that an output shows.
#[derive(Debug, Clone, PartialEq)]
pub struct Shown {
    /// Inside of the frame.
    pub rect: Rect,
    /// Wall that is added on the left and on the right.
    pub added: [Added; 2],
    /// [`Attention::NoRoomForOutput`] when the frame has not all that the shape asks for.
    pub attention: Option<Attention>,
}

/// Wall that continues beyond the frame's edge.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Added {
    /// How many columns are added.
    pub columns: usize,
    /// How many columns at the edge show nothing but wall: these are mirrored.
    pub wall: usize,
}

/// Why a shape cannot be had.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error(
    "the frame has no room for this crop: it lacks {0}; shoot wider or with the sitter off the middle, \
     or ask for another `crop`"
)]
pub struct NoRoom(String);

/// Largest share of a shape's height that the head takes where the recipe's crop is cut to it: more,
/// and crown and chin touch the edges. Common practice, no source.
const MOST_HEAD: f64 = 0.72;
/// Share of the circle's radius within which the head lies. Common practice, no source.
const CIRCLE: f64 = 0.88;
/// Farthest that hair above the chin is looked for, in heads from the head's middle: the largest
/// afro of the rendered office reaches 0.7, and what lies farther is no head.
const FARTHEST: f64 = 0.95;
/// Share of a banner's height from crown to chin, and where its eyes lie from the top. Common practice,
/// no source.
const BANNER_HEAD: f64 = 0.64;
const BANNER_EYES: f64 = 0.46;
/// The same of tighter banners, which end above shoulders that the frame's edge cuts; the last one still
/// shows the neck. Tried on the rendered office, framed as headshots are.
const BANNER_TIGHTER: [[f64; 2]; 3] = [[0.68, 0.48], [0.72, 0.50], [0.76, 0.51]];
/// Where its sitter stands from the nearer edge: as many heads as leave the shoulder its air, at most
/// a third of the width. Common practice, no source.
const BANNER_BESIDE: f64 = 0.95;
const BANNER_SHARE: f64 = 1.0 / 3.0;
/// Share of a shape's height up to which a head is whole with a breath of air.
const WHOLE_HEAD: f64 = 0.92;
/// Where the eyes lie when no face was found.
const EYES_WITHOUT_FACE: f64 = 0.42;
/// Above this a pixel belongs to the head; below [`BARE`] it is wall.
const COVERED: f32 = 0.5;
const BARE: f32 = 0.01;
/// Rows that are read.
const READ: usize = 500;
/// Fewest columns of wall that can be mirrored, as a share of the banner's height: of a narrower
/// strip one would see the repetition.
const LEAST_WALL: f64 = 0.04;

/// A wanted part, which may reach beyond the frame.
#[derive(Debug, Clone, Copy)]
struct Wanted {
    left: f64,
    top: f64,
    width: f64,
    height: f64,
}

/// What of the sitter counts for a shape.
struct Head {
    axis: f64,
    eyes: f64,
    chin: f64,
    /// Crown to chin as the crop counts it.
    counted: f64,
    /// Crown to chin with all hair.
    whole: f64,
}

impl Head {
    /// `None` for senseless landmarks.
    fn of(marks: &Marks) -> Option<Self> {
        let middle = |one: f32, other: f32| 0.5 * (f64::from(one) + f64::from(other));
        let [one, other] = marks.eyes;
        let chin = f64::from(marks.chin.y);
        let head = Self {
            axis: 0.5 * (middle(one.x, other.x) + f64::from(marks.chin.x)),
            eyes: middle(one.y, other.y),
            chin,
            counted: crop::head(marks),
            whole: chin - f64::from(marks.crown.y),
        };
        let sound = head.counted >= 1.0 && head.axis.is_finite() && head.eyes.is_finite();
        sound.then_some(head)
    }
}

impl Found {
    /// The part of the frame that a shape shows; `output` is its name, for the attention.
    ///
    /// # Errors
    /// When the frame has no room for the head in that shape.
    pub fn shown(&self, shape: &Shape, output: &str) -> Result<Shown, NoRoom> {
        let frame = self.placement.frame;
        let crop = self.placement.rect;
        if *shape == Shape::Recipe {
            return Ok(Shown::just(crop));
        }
        let regions = self.regions.placed(Rect::whole(frame), frame);
        let head = regions.marks.as_ref().and_then(Head::of);
        let wanted = match shape {
            Shape::Recipe => Wanted::from(crop),
            Shape::Aspect(aspect) => of_aspect(crop, aspect.ratio(), head.as_ref()),
            Shape::Circle => match &head {
                Some(head) => circle(crop, head, &regions),
                None => of_aspect(crop, 1.0, None),
            },
            Shape::Banner { aspect, sitter, .. } => match &head {
                Some(head) => banner(head, aspect.ratio(), *sitter, [BANNER_HEAD, BANNER_EYES]),
                None => of_aspect(crop, aspect.ratio(), None),
            },
        };
        if let Shape::Banner {
            aspect,
            sitter,
            extend_wall: true,
        } = shape
        {
            if let Some(shown) = extended(&wanted, frame, &regions) {
                return Ok(shown);
            }
            // Where shoulders meet the edge there is no wall to go on with; higher up there may be. Not
            // where the wanted part lies in the frame.
            let tighter = head
                .iter()
                .filter(|_| !wanted.missing(frame).nothing())
                .flat_map(|head| {
                    BANNER_TIGHTER.map(|manner| banner(head, aspect.ratio(), *sitter, manner))
                });
            for wanted in tighter {
                if let Some(shown) = extended(&wanted, frame, &regions) {
                    return Ok(Shown {
                        attention: Some(Attention::NoRoomForOutput(output.to_owned())),
                        ..shown
                    });
                }
            }
        }
        inside(&wanted, frame, head.as_ref(), output)
    }

    /// What must be rendered for a part: the crop and it together.
    pub fn cover_for(&self, shown: &Shown) -> Rect {
        union(self.placement.rect, shown.rect)
    }
}

impl Shown {
    /// A part of the frame, nothing added or missing.
    pub fn just(rect: Rect) -> Self {
        Self {
            rect,
            added: [Added::default(); 2],
            attention: None,
        }
    }

    /// Its size with what is added.
    pub fn size(&self) -> Size {
        let [left, right] = self.added;
        Size {
            width: left.columns + self.rect.width + right.columns,
            height: self.rect.height,
        }
    }
}

impl From<Rect> for Wanted {
    fn from(rect: Rect) -> Self {
        Self {
            left: rect.left as f64,
            top: rect.top as f64,
            width: rect.width as f64,
            height: rect.height as f64,
        }
    }
}

/// The smallest rectangle around both.
fn union(one: Rect, other: Rect) -> Rect {
    let left = one.left.min(other.left);
    let top = one.top.min(other.top);
    let right = (one.left + one.width).max(other.left + other.width);
    let bottom = (one.top + one.height).max(other.top + other.height);
    Rect {
        left,
        top,
        width: right - left,
        height: bottom - top,
    }
}

/// The largest part of the crop of this shape, cut evenly left and right, and above and below in the
/// proportion in which the eyes divide it, so that they stay where the recipe put them. A shape in
/// which the head would have no air becomes larger around the same place.
fn of_aspect(crop: Rect, ratio: f64, head: Option<&Head>) -> Wanted {
    let crop = Wanted::from(crop);
    let eyes = head.map_or(crop.top + EYES_WITHOUT_FACE * crop.height, |head| head.eyes);
    let share = ((eyes - crop.top) / crop.height).clamp(0.0, 1.0);
    let height = crop.height.min(crop.width / ratio);
    match head {
        Some(head) if head.counted > MOST_HEAD * height => {
            let height = head.counted / MOST_HEAD;
            let width = height * ratio;
            Wanted {
                left: head.axis - 0.5 * width,
                top: eyes - share * height,
                width,
                height,
            }
        }
        _ => {
            let width = height * ratio;
            Wanted {
                left: crop.left + 0.5 * (crop.width - width),
                top: crop.top + share * (crop.height - height),
                width,
                height,
            }
        }
    }
}

/// As large as the largest square of the crop, or as the head needs; inside of the crop if the head
/// still lies in the circle there, else around the head's middle.
fn circle(crop: Rect, head: &Head, regions: &Regions) -> Wanted {
    let crop = Wanted::from(crop);
    let farthest = farthest(head, regions);
    let side = crop.width.min(crop.height);
    let middle = head.chin - 0.5 * head.whole;
    let square = |side: f64, x: f64, y: f64| Wanted {
        left: x - 0.5 * side,
        top: y - 0.5 * side,
        width: side,
        height: side,
    };
    let within = |place: f64, start: f64, length: f64| {
        let (low, high) = (start + 0.5 * side, start + length - 0.5 * side);
        place.max(low).min(high.max(low))
    };
    let x = within(head.axis, crop.left, crop.width);
    let y = within(middle, crop.top, crop.height);
    let (dx, dy) = (x - head.axis, y - middle);
    if (dx * dx + dy * dy).sqrt() + farthest <= 0.5 * CIRCLE * side {
        return square(side, x, y);
    }
    square(side.max(2.0 * farthest / CIRCLE), head.axis, middle)
}

/// How far the head's outermost pixel above the chin is from its middle, hair and hat included.
fn farthest(head: &Head, regions: &Regions) -> f64 {
    let matte = regions.matte(&[Region::FaceSkin, Region::Hair, Region::Worn], &[]);
    let Size { width, height } = regions.size;
    let middle = head.chin - 0.5 * head.whole;
    let mut row = vec![0.0; width];
    let mut most = 0.25 * head.whole * head.whole;
    let last = (head.chin.max(0.0) as usize).min(height);
    let first = (middle - FARTHEST * head.whole).max(0.0) as usize;
    for y in (first..last).step_by((height / READ).max(1)) {
        matte.fill_row(y, &mut row);
        let dy = y as f64 + 0.5 - middle;
        let covered = |x: &usize| row[*x] > COVERED;
        let ends = [(0..width).find(covered), (0..width).rev().find(covered)];
        for x in ends.into_iter().flatten() {
            let dx = x as f64 + 0.5 - head.axis;
            most = most.max(dx * dx + dy * dy);
        }
    }
    most.sqrt().min(FARTHEST * head.whole)
}

/// `manner`: the head's share of the height, and where the eyes lie.
fn banner(head: &Head, ratio: f64, sitter: Beside, manner: [f64; 2]) -> Wanted {
    let [share, eyes] = manner;
    let height = head.counted / share;
    let width = height * ratio;
    let beside = (BANNER_BESIDE * head.counted).min(BANNER_SHARE * width);
    let left = match sitter {
        Beside::Left => beside,
        Beside::Right => width - beside,
    };
    Wanted {
        left: head.axis - left,
        top: head.eyes - eyes * height,
        width,
        height,
    }
}

/// The wanted part with wall added beside the frame; `None` where that cannot be, or need not.
fn extended(wanted: &Wanted, frame: Size, regions: &Regions) -> Option<Shown> {
    let missing = wanted.missing(frame);
    if missing.nothing() || missing.top > 0.0 || missing.bottom > 0.0 {
        return None;
    }
    let unbounded = Size {
        width: usize::MAX,
        ..frame
    };
    let Size { width, height } = crop::whole(wanted.width, wanted.height, unbounded);
    let left = wanted.left.round();
    let right = (left + width as f64).max(1.0);
    let rect = Rect {
        left: left.max(0.0) as usize,
        top: (wanted.top.round().max(0.0) as usize).min(frame.height - height),
        width: (right.min(frame.width as f64) - left.max(0.0)) as usize,
        height,
    };
    let columns = [
        (-left).max(0.0) as usize,
        (right - frame.width as f64).max(0.0) as usize,
    ];
    let walls = bare_edges(rect, regions);
    let least = (LEAST_WALL * wanted.height) as usize;
    let mut added = [Added::default(); 2];
    for side in 0..2 {
        if columns[side] > 0 {
            if walls[side] <= least {
                return None;
            }
            added[side] = Added {
                columns: columns[side],
                wall: walls[side],
            };
        }
    }
    Some(Shown {
        rect,
        added,
        attention: None,
    })
}

/// Columns at the left and at the right of a part that show nothing but wall in all its rows.
fn bare_edges(rect: Rect, regions: &Regions) -> [usize; 2] {
    let person = regions.region(Region::Person);
    let mut row = vec![0.0; regions.size.width];
    let mut bare = [rect.width; 2];
    for y in (rect.top..rect.top + rect.height).step_by((rect.height / READ).max(1)) {
        person.fill_row(y, &mut row);
        let part = &row[rect.left..rect.left + rect.width];
        let covered = |v: &f32| *v >= BARE;
        if let Some(first) = part.iter().position(covered) {
            bare[0] = bare[0].min(first);
        }
        if let Some(last) = part.iter().rposition(covered) {
            bare[1] = bare[1].min(rect.width - 1 - last);
        }
    }
    bare
}

impl Wanted {
    fn missing(&self, frame: Size) -> Missing {
        Missing::of(self.left, self.top, self.width, self.height, frame)
    }
}

/// The wanted part in whole pixels, shifted into the frame and made smaller if need be.
fn inside(
    wanted: &Wanted,
    frame: Size,
    head: Option<&Head>,
    output: &str,
) -> Result<Shown, NoRoom> {
    let missing = wanted.missing(frame);
    let scale = (frame.width as f64 / wanted.width)
        .min(frame.height as f64 / wanted.height)
        .min(1.0);
    let Size { width, height } = crop::whole(wanted.width * scale, wanted.height * scale, frame);
    if let Some(head) = head
        && !missing.nothing()
        && head.counted > WHOLE_HEAD * height as f64
    {
        let sides = [
            (missing.left, "on the left"),
            (missing.top, "above"),
            (missing.right, "on the right"),
            (missing.bottom, "below"),
        ];
        let told = sides
            .into_iter()
            .filter(|(pixels, _)| *pixels > 0.0)
            .map(|(pixels, side)| format!("{pixels:.0} pixels {side}"));
        return Err(NoRoom(told.collect::<Vec<_>>().join(", ")));
    }
    // A smaller part keeps the eyes' share of the height, and the face's of the width.
    let share = |place: Option<f64>, start: f64, length: f64| {
        place.map_or(0.5, |place| ((place - start) / length).clamp(0.0, 1.0))
    };
    let across = share(head.map(|head| head.axis), wanted.left, wanted.width);
    let down = share(head.map(|head| head.eyes), wanted.top, wanted.height);
    let place = |start: f64, length: f64, share: f64, size: usize, most: usize| {
        let start = if size as f64 + 1.0 < length {
            start + share * (length - size as f64)
        } else {
            start
        };
        start.round().clamp(0.0, (most - size) as f64) as usize
    };
    let rect = Rect {
        left: place(wanted.left, wanted.width, across, width, frame.width),
        top: place(wanted.top, wanted.height, down, height, frame.height),
        width,
        height,
    };
    let attention = (!missing.nothing()).then(|| Attention::NoRoomForOutput(output.to_owned()));
    Ok(Shown {
        rect,
        added: [Added::default(); 2],
        attention,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::picture::{Linear, Point};
    use crate::regions::Matte;
    use ndarray::Array2;

    const FRAME: Size = Size {
        width: 1200,
        height: 1800,
    };
    /// The default crop of [`found`]'s sitter: 560 / 0.5 high, eyes at 0.42.
    const CROP: Rect = Rect {
        left: 152,
        top: 230,
        width: 896,
        height: 1120,
    };

    /// A sitter whose head is 560 pixels high and whose hair reaches `hair` pixels to each side; the
    /// body ends at column `body`.
    fn found(hair: usize, body: usize) -> Found {
        let point = |x: f32, y: f32| Point { x, y };
        let eyes = [point(523.0, 700.0), point(677.0, 700.0)];
        let marks = Marks {
            eyes,
            iris_radius: [12.0; 2],
            eye_corners: [eyes[0], eyes[0], eyes[1], eyes[1]],
            mouth: [point(600.0, 850.0); 2],
            nose: point(600.0, 800.0),
            chin: point(600.0, 960.0),
            crown: point(600.0, 400.0),
            mesh: Vec::new(),
            turn: 0.0,
            tilt: 0.0,
            openness: [0.3; 2],
        };
        // A tenth of the frame's size: a map is as small as it may be.
        let map = |inside: &dyn Fn(usize, usize) -> bool| {
            let map = Array2::from_shape_fn((180, 120), |(y, x)| {
                f32::from(u8::from(inside(10 * x + 5, 10 * y + 5)))
            });
            Matte {
                step: point(0.1, 0.1),
                size: FRAME,
                ..Matte::exact(map)
            }
        };
        let head = |x: usize, y: usize| (400..960).contains(&y) && x.abs_diff(600) < hair;
        let person = |x: usize, y: usize| head(x, y) || (y >= 960 && (100..body).contains(&x));
        Found {
            small: Linear::zeros(FRAME),
            regions: Regions {
                size: FRAME,
                marks: Some(marks),
                mattes: vec![(Region::Person, map(&person)), (Region::Hair, map(&head))],
                backdrop: None,
                confidence: 1.0,
                attention: Vec::new(),
            },
            placement: super::super::Placement {
                frame: FRAME,
                rect: CROP,
                straightened: 0.0,
            },
            cover: CROP,
            attention: Vec::new(),
            matched: None,
            development: crate::sensor::Development::default(),
            mended: super::super::Mended::default(),
            falloff: None,
            unavailable: Vec::new(),
        }
    }

    fn aspect(width: u32, height: u32) -> Aspect {
        Aspect::new(width, height).expect("a good pair")
    }

    #[test]
    fn what_fits_lies_inside_of_the_crop_with_the_eyes_in_their_place() {
        let found = found(200, 1100);
        for (shape, size) in [
            (Shape::Recipe, (896, 1120)),
            (Shape::Aspect(aspect(1, 1)), (896, 896)),
            (Shape::Aspect(aspect(2, 3)), (747, 1120)),
            (Shape::Aspect(aspect(4, 5)), (896, 1120)),
        ] {
            let shown = found.shown(&shape, "x").expect("it has room");
            assert_eq!((shown.rect.width, shown.rect.height), size, "{shape:?}");
            assert_eq!(found.cover_for(&shown), CROP, "{shape:?}");
            assert_eq!(shown.attention, None);
            let eyes = (700.0 - shown.rect.top as f64) / shown.rect.height as f64;
            assert!((eyes - 0.42).abs() < 2e-3, "{shape:?}: {eyes}");
            let middle = shown.rect.left as f64 + 0.5 * shown.rect.width as f64;
            assert!((middle - 600.0).abs() <= 1.0, "{shape:?}: {middle}");
        }
    }

    #[test]
    fn a_wide_shape_grows_until_the_head_has_air() {
        let found = found(200, 1100);
        let shown = found
            .shown(&Shape::Aspect(aspect(3, 2)), "x")
            .expect("it has room");
        // 560 / 0.72 = 778 high, 1167 wide.
        assert_eq!((shown.rect.width, shown.rect.height), (1167, 778));
        assert!(found.cover_for(&shown).width > CROP.width);
        let narrow = found.shown(&Shape::Aspect(aspect(2, 1)), "header");
        // 1556 wide, which 1200 do not hold; 600 high, 560 of which are head: too little air.
        let told = narrow.expect_err("no room").to_string();
        assert!(told.contains("pixels on the left, "), "{told}");
    }

    /// Every pixel of head and hair lies in the inscribed circle with a margin of 12 %.
    #[test]
    fn the_circle_holds_all_hair() {
        for hair in [180, 250, 330, 420] {
            let found = found(hair, 1100);
            let shown = found.shown(&Shape::Circle, "x").expect("it has room");
            let Rect {
                left, top, width, ..
            } = shown.rect;
            assert_eq!(width, shown.rect.height);
            let radius = 0.5 * width as f64;
            let (x, y) = (left as f64 + radius, top as f64 + radius);
            let corner = (hair as f64 - 600.0 + 600.0, 280.0);
            let reach = corner.0 + (x - 600.0).abs();
            let down = corner.1 + (y - 680.0).abs();
            let farthest = (reach * reach + down * down).sqrt();
            // Half a cell of the coarse map and rounding.
            assert!(
                farthest <= 0.88 * radius + 8.0,
                "{hair}: {farthest} of {radius}"
            );
            assert_eq!(found.cover_for(&shown) == CROP, hair <= 250, "{hair}");
        }
    }

    #[test]
    fn a_banner_has_its_sitter_to_one_side() {
        let shape = |sitter, extend_wall| Shape::Banner {
            aspect: aspect(3, 1),
            sitter,
            extend_wall,
        };
        let found = found(200, 1100);
        // 560 / 0.64 = 875 high, 2625 wide; the sitter 0.95 heads from the edge.
        assert!(found.shown(&shape(Beside::Left, false), "x").is_err());
        let shown = found
            .shown(&shape(Beside::Left, true), "x")
            .expect("the wall goes on");
        assert_eq!(shown.rect.left, 68);
        assert_eq!((shown.size().width, shown.size().height), (2625, 875));
        let [left, right] = shown.added;
        assert_eq!((left.columns, right.columns), (0, 2625 - (1200 - 68)));
        // The body ends a hundred pixels before the edge; a cell of the map is ten.
        assert!((85..=100).contains(&right.wall), "{right:?}");
        // To the right the body begins at column 100, too.
        let other = found.shown(&shape(Beside::Right, true), "x");
        assert_eq!(other.expect("the wall goes on").added[1].columns, 0);
    }

    /// Where a shoulder meets the frame's edge there is no wall to go on with.
    #[test]
    fn a_cut_shoulder_is_not_mirrored() {
        let shape = Shape::Banner {
            aspect: aspect(3, 1),
            sitter: Beside::Left,
            extend_wall: true,
        };
        assert!(found(200, 1200).shown(&shape, "x").is_err());
    }

    #[test]
    fn without_a_face_the_crop_is_cut_in_its_middle() {
        let mut found = found(200, 1100);
        found.regions.marks = None;
        for shape in [
            Shape::Circle,
            Shape::Aspect(aspect(1, 1)),
            Shape::Banner {
                aspect: aspect(2, 1),
                sitter: Beside::Left,
                extend_wall: true,
            },
        ] {
            let shown = found.shown(&shape, "x").expect("it has room");
            assert_eq!(found.cover_for(&shown), CROP, "{shape:?}");
            assert_eq!(shown.attention, None);
        }
    }

    #[test]
    fn no_room_shifts_first_and_is_told() {
        let mut found = found(200, 1100);
        let marks = found.regions.marks.as_mut().expect("a face");
        for point in marks.eyes.iter_mut().chain([&mut marks.chin]) {
            point.x -= 60.0;
        }
        let shown = found
            .shown(&Shape::Aspect(aspect(3, 2)), "wide")
            .expect("the head is whole");
        assert_eq!((shown.rect.left, shown.rect.width), (0, 1167));
        assert_eq!(
            shown.attention,
            Some(Attention::NoRoomForOutput("wide".to_owned()))
        );
    }
}
