//! From a small picture to everything that is known about the sitter in it.
//!
//! Detector, landmarks and irises first; rough maps of person, hair and parts by nets; the
//! backdrop's surface from what is surely backdrop; then the matte and the parts at the small
//! picture's own resolution from colour (see [`super::matting`]).

use ndarray::{Array2, Array3, Axis};

use super::backdrop;
use super::cracks;
use super::crop::{Pyramid, sample};
use super::crown::crown;
use super::features;
use super::gaps;
use super::matting::{self, Layers, Rough};
use super::necklaces;
use super::nets::{self, Axes, COARSE, Face, Mesh};
use super::outline;
use super::partition::{firm_rim, partition};
use super::plane::resized;
use super::screen::Screen;
use super::shades::Moments;
use super::skull;
use super::specks::without_fog;
use super::strands;
use super::studs;
use super::{Attention, Marks, Matte, Region, Regions};
use crate::picture::math::{atan2, exp, ln};
use crate::picture::{Linear, Point, Size, bands};

/// Confidence below which a person must look: portraits whose mattes are clearly wrong reach 0.58
/// (a woven backdrop), sound ones 0.86 and more.
const UNSURE: f32 = 0.65;

/// Window around an eye in which an eyeball is looked for: width and height in distances of the
/// eye's corners, places along and across, and the share of places, the surest, that count.
const WINDOW: [f32; 2] = [1.1, 0.7];
const PLACES: [usize; 2] = [64, 40];
const SUREST: f32 = 0.04;

/// Radii of a sitter's irises whose ratio is above this do not belong together. Right ones stay
/// below 1.06 on the rendered sitters and below 1.14 on fifteen of sixteen portraits.
const UNLIKE_IRISES: f32 = 1.2;

/// Probability of a face in its crop under which its landmarks are none.
const LEAST_SCORE: f32 = 0.2;

/// A second face at least this share of the first one's height makes it unclear who sits.
const RIVAL: f32 = 0.5;

/// Finds the sitter in `small`: upright, scene-linear working space, exposed about right, long
/// side about 1000 to 2000 pixels. `set` is the empty-backdrop frame at the same size and
/// exposure, if there is one; it is used when it fits.
///
/// Never fails: what is missing or doubtful stands in [`Regions::attention`].
pub fn find(small: &Linear, set: Option<&Linear>) -> Regions {
    find_in_stages(small, set, &mut |_| {})
}

/// As [`find`]; calls `after` with a stage's name when it is done, for whoever times them.
pub fn find_in_stages(
    small: &Linear,
    set: Option<&Linear>,
    after: &mut dyn FnMut(&'static str),
) -> Regions {
    let size = small.size();
    let finite = small.planes.iter().all(|p| p.iter().all(|v| v.is_finite()));
    if size.width < 64 || size.height < 64 || !finite {
        return nobody(size);
    }
    let picture = Pyramid::new(small);
    after("pictures for the nets");
    // Small nets keep one thread busy; what the backdrop is measured from needs none of them.
    let (seen, moments) = bands::both(
        || landmarks(&picture, size),
        || Moments::new(small, backdrop::cell(size)),
    );
    after("face, landmarks and irises");
    let Some(Seen {
        faces,
        face,
        mesh,
        irises,
    }) = seen
    else {
        return nobody(size);
    };
    let mut marks = marks(&mesh, &irises);
    let span = marks.scale().0;
    if span < 4.0 {
        return nobody(size);
    }
    let axes = Axes::new(marks.eyes, mesh.points[152]);
    let maps = nets::person_and_hair(&picture, size, &axes);
    after("person and hair");
    let classes = nets::parts(&picture, size, &axes, &maps, span);
    after("parts");
    let seen = eyeballs(&classes, &mesh);
    marks.openness = [0, 1].map(|eye| marks.openness[eye] * seen[eye] * seen[eye]);
    let rough = Rough {
        person: likely_person(&maps[0], &classes),
        classes,
    };
    let on_grid = on_grid(&rough.person, size);
    let cells = &moments.first;
    let surface = backdrop::fit(cells, (size, set), &on_grid, span);
    let surface = surface.map(|found| with_gaps(small, cells, found, &rough.person, &axes, span));
    after("backdrop");
    // What lies inside the face needs none of the matte.
    let ((mut layers, closer), drawn) = bands::both(
        || match &surface {
            Some(surface) => {
                let (mut layers, closer) =
                    matting::separate(small, &moments, surface, &rough, &axes, span);
                without_fog(&mut layers.alpha, &mut layers.shares, span);
                skull::close(&mut layers, &axes, span);
                cracks::close(&mut layers, &rough.classes, span);
                if Screen::of(matting::behind_all(surface)).is_none() {
                    let noise = matting::pixel_noise(small, surface, &rough);
                    outline::draw(&mut layers, small, surface, noise);
                }
                (layers, closer)
            }
            None => (without_backdrop(&rough, size), None),
        },
        || features::draw(picture.shown(), &mesh, &irises, &rough.classes, span),
    );
    let (worn, beads) = bands::both(
        || studs::find(&picture, size, &mesh, &axes, span),
        || necklaces::find(&picture, size, &layers, marks.chin, span),
    );
    for discs in [worn, beads] {
        studs::put(&mut layers, &discs);
    }
    after("matte and features");
    marks.crown = crown(&layers.alpha, &axes, span);
    let mut attention = Vec::new();
    let rivals = faces
        .iter()
        .filter(|f| f.extent.1 >= RIVAL * face.extent.1)
        .count();
    if rivals > 1 {
        attention.push(Attention::SeveralFaces(rivals));
    }
    if is_cut(&mesh, &marks, &layers.alpha, size, span) {
        attention.push(Attention::FaceCut);
    }
    if marks.openness.iter().any(|o| *o < Marks::CLOSED) {
        attention.push(Attention::EyesClosed);
    }
    let confidence = confidence(&face, &mesh, &layers, surface.is_some());
    if confidence < UNSURE {
        attention.push(Attention::LowConfidence);
    }
    if layers.alike > 0.5 {
        attention.push(Attention::BackdropAlike);
    }
    after("marks and confidence");
    let mut mattes = partition(layers, &drawn, &rough.classes);
    after("partition");
    let (shown, classes) = (picture.shown(), &rough.classes);
    strands::settle(&mut mattes, shown, classes, &axes, marks.eyes, span);
    firm_rim(&mut mattes);
    after("strands");
    Regions {
        size,
        marks: Some(marks),
        mattes: mattes
            .into_iter()
            .map(|(region, map)| (region, Matte::exact(map)))
            .collect(),
        backdrop: closer.or(surface).map(|s| s.model(size)),
        confidence,
        attention,
    }
}

/// What the small nets see.
struct Seen {
    faces: Vec<Face>,
    /// The largest of them, its landmarks and irises.
    face: Face,
    mesh: Mesh,
    irises: [(Point, f32); 2],
}

/// Faces and the sitter's landmarks; `None` when there is nobody.
fn landmarks(picture: &Pyramid, size: Size) -> Option<Seen> {
    let faces = nets::faces(picture, size);
    let largest = faces
        .iter()
        .max_by(|a, b| a.extent.1.total_cmp(&b.extent.1));
    let face = *largest?;
    let mesh = nets::mesh(picture, &face).filter(|mesh| mesh.score >= LEAST_SCORE)?;
    let irises = irises(picture, &mesh);
    Some(Seen {
        faces,
        face,
        mesh,
        irises,
    })
}

/// The regions of a picture in which nobody was found.
fn nobody(size: Size) -> Regions {
    let empty = |region| {
        let map = Array2::zeros((1, 1)).into_shared();
        (
            region,
            Matte {
                map,
                size,
                origin: Point { x: 0.0, y: 0.0 },
                step: Point { x: 0.0, y: 0.0 },
                detail: None,
            },
        )
    };
    Regions {
        size,
        marks: None,
        mattes: Region::KEPT.map(empty).to_vec(),
        backdrop: None,
        confidence: 0.0,
        attention: vec![Attention::NoFace],
    }
}

/// Both irises: the mean of the mesh's and the iris net's circle (each alone errs more), then
/// fitted to the rim that shows.
fn irises(picture: &Pyramid, mesh: &Mesh) -> [(Point, f32); 2] {
    let by_nets = |first: usize, outer: usize, inner: usize, left: bool| {
        let p = &mesh.points;
        let ring = &p[first + 1..first + 5];
        let own = (
            p[first],
            ring.iter().map(|q| q.distance(p[first])).sum::<f32>() / 4.0,
        );
        match nets::iris(picture, p[outer], p[inner], left) {
            Some((c, r)) if c.distance(own.0) < own.1 => {
                let middle = Point {
                    x: (c.x + own.0.x) / 2.0,
                    y: (c.y + own.0.y) / 2.0,
                };
                (middle, (r + own.1) / 2.0)
            }
            _ => own,
        }
    };
    let nets: [_; 2] = bands::both(
        || by_nets(468, 33, 133, false),
        || by_nets(473, 263, 362, true),
    )
    .into();
    let span = nets[0].0.distance(nets[1].0);
    let light = &picture.shown()[1];
    let fit = |i: usize, lids: &[usize]| {
        features::refit(light, &features::contour(mesh, lids), nets[i], span)
    };
    let fitted = bands::both(
        || fit(0, &features::RIGHT_EYE),
        || fit(1, &features::LEFT_EYE),
    );
    alike(fitted.into(), nets)
}

/// The two irises of one person are about alike (common knowledge, no source); where they are not, a
/// reflection or a lid was taken for a rim. The circle that was moved further from the nets' gives
/// way.
fn alike(mut fitted: [(Point, f32); 2], nets: [(Point, f32); 2]) -> [(Point, f32); 2] {
    let moved = |i: usize| (fitted[i].1 / nets[i].1.max(1e-3) - 1.0).abs();
    let ratio = fitted[0].1 / fitted[1].1.max(1e-3);
    if ratio.max(1.0 / ratio.max(1e-3)) > UNLIKE_IRISES {
        let worse = usize::from(moved(1) > moved(0));
        fitted[worse] = nets[worse];
    }
    fitted
}

fn marks(mesh: &Mesh, irises: &[(Point, f32); 2]) -> Marks {
    let p = &mesh.points;
    let open = |a: usize, b: usize, c: usize, d: usize| {
        p[a].distance(p[b]) / p[c].distance(p[d]).max(1e-3)
    };
    let eyes = irises.map(|i| i.0);
    let degrees = 180.0 / std::f32::consts::PI;
    let along = p[33].distance(p[263]).max(1e-3);
    Marks {
        eyes,
        iris_radius: irises.map(|i| i.1),
        eye_corners: [p[33], inner_corner(p, 133), inner_corner(p, 362), p[263]],
        mouth: [p[61], p[291]],
        nose: p[4],
        chin: chin(p),
        crown: p[10],
        mesh: p.clone(),
        turn: atan2(mesh.depth[263] - mesh.depth[33], along) * degrees,
        tilt: atan2(eyes[1].y - eyes[0].y, eyes[1].x - eyes[0].x) * degrees,
        openness: [open(159, 145, 33, 133), open(386, 374, 263, 362)],
    }
}

/// How surely white or iris is seen in either eye, 0 to 1, by the parts net. The mesh puts the lids of
/// closed eyes apart where the skin is dark or the lashes hang low (up to 0.30 corner distances); the
/// net, which looks at colour, sees no eyeball there.
fn eyeballs(classes: &Array3<f32>, mesh: &Mesh) -> [f32; 2] {
    let sure = |p: Point| -> f32 {
        let at = |class| {
            let map = classes.index_axis(Axis(0), class);
            sample(map, p.x / COARSE as f32, p.y / COARSE as f32)
        };
        at(nets::SCLERA) + at(nets::IRIS)
    };
    [(33, 133), (362, 263)].map(|(left, right)| {
        let (left, right) = (mesh.points[left], mesh.points[right]);
        let (ex, ey) = (right.x - left.x, right.y - left.y);
        let (cx, cy) = (0.5 * (left.x + right.x), 0.5 * (left.y + right.y));
        let [along, across] = PLACES;
        let share = |i: usize, of: usize| (i as f32 + 0.5) / of as f32 - 0.5;
        let mut all: Vec<f32> = (0..along * across)
            .map(|place| {
                let u = WINDOW[0] * share(place % along, along);
                let v = WINDOW[1] * share(place / along, across);
                sure(Point {
                    x: cx + u * ex - v * ey,
                    y: cy + u * ey + v * ex,
                })
            })
            .collect();
        all.sort_unstable_by(f32::total_cmp);
        let kept = (SUREST * all.len() as f32) as usize;
        let sum: f32 = all[all.len() - kept..].iter().sum();
        (sum / kept as f32).min(1.0)
    })
}

/// Where the eyeball ends at the nose. Landmarks 133 and 362 lie at the end of the lids, beyond the
/// tear duct: on the rendered sitters 5.8 % (standard deviation 1.4 %) of an eye span too far in and
/// 2.8 % too low on average, the same on both sides. `index` is one of the two.
fn inner_corner(p: &[Point], index: usize) -> Point {
    let (right, left) = (p[468], p[473]);
    let (along, down) = ((left.x - right.x, left.y - right.y), 0.028);
    let out = if index == 133 { -0.058 } else { 0.058 };
    Point {
        x: p[index].x + out * along.0 + down * along.1,
        y: p[index].y + out * along.1 - down * along.0,
    }
}

/// The chin's foremost low point. Landmark 152 lies under it, 3 % of an eye span too low on the
/// rendered sitters on average; a quarter of the way up to 175 it is the point itself.
fn chin(p: &[Point]) -> Point {
    Point {
        x: p[152].x + 0.25 * (p[175].x - p[152].x),
        y: p[152].y + 0.25 * (p[175].y - p[152].y),
    }
}

/// The two nets' word on where the sitter is: mean log-odds. The person net alone takes flags
/// and panels behind a shoulder for a part of the sitter, the parts net alone is soft.
fn likely_person(person: &Array2<f32>, classes: &Array3<f32>) -> Array2<f32> {
    let none = classes.index_axis(Axis(0), 0);
    let none = none.to_slice().expect("classes are contiguous");
    let width = person.ncols();
    let mut out = person.clone();
    let values = out.as_slice_mut().expect("just made");
    bands::each_piece(values, width, |y, row| {
        let none = &none[y * width..][..width];
        bands::vectorised(
            #[inline(always)]
            move || {
                for (z, &b) in row.iter_mut().zip(none) {
                    let b = b.max(1e-4).min(1.0 - 1e-4);
                    let parts = ln((1.0 - b) / b);
                    let both = 0.4 * z.max(-9.0).min(9.0) + 0.6 * parts;
                    *z = 1.0 / (1.0 + exp(-both));
                }
            },
        );
    });
    out
}

fn on_grid(half: &Array2<f32>, size: Size) -> Array2<f32> {
    let cell = backdrop::cell(size);
    let dim = (size.height.div_ceil(cell), size.width.div_ceil(cell));
    resized(half.view(), dim, cell as f32 / COARSE as f32)
}

/// The surface once more, with the wall that shows beside the sitter's arms.
fn with_gaps(
    small: &Linear,
    cells: &[Array2<f32>; 3],
    surface: backdrop::Surface,
    person: &Array2<f32>,
    axes: &Axes,
    span: f32,
) -> backdrop::Surface {
    let Some(gaps) = gaps::find(small, &surface, person, axes, span) else {
        return surface;
    };
    let size = small.size();
    // Cells that are wall throughout.
    let known = on_grid(&gaps, size).mapv(|g| if g > 0.99 { 1.0 } else { 0.0 });
    let again = backdrop::refit(cells, &surface, &on_grid(person, size), &known, span);
    again.unwrap_or(surface)
}

/// What the nets say alone, when no backdrop shows.
fn without_backdrop(rough: &Rough, size: Size) -> Layers {
    let dim = (size.height, size.width);
    let up = |plane: ndarray::ArrayView2<'_, f32>| resized(plane, dim, 1.0 / COARSE as f32);
    let alpha = up(rough.person.view());
    let group = |list: &[usize]| {
        let mut sum = Array2::zeros(rough.person.dim());
        list.iter()
            .for_each(|&k| sum += &rough.classes.index_axis(Axis(0), k));
        up(sum.view())
    };
    let mut shares = [
        group(&[1, 2, 5, 6, 7, 8, 9]),
        group(&[3]),
        group(&[4]),
        group(&[10]),
    ];
    let sum = shares
        .iter()
        .fold(Array2::from_elem(dim, 1e-6), |a, b| a + b);
    for s in &mut shares {
        *s = &*s * &alpha / &sum;
    }
    Layers {
        alpha,
        shares,
        alike: 1.0,
    }
}

/// Whether the frame cuts the face (landmarks outside) or the top of the head.
fn is_cut(mesh: &Mesh, marks: &Marks, alpha: &Array2<f32>, size: Size, span: f32) -> bool {
    let outside = |p: &Point| {
        p.x < 1.0 || p.y < 1.0 || p.x > size.width as f32 - 1.0 || p.y > size.height as f32 - 1.0
    };
    let top = alpha.row(0);
    let near = |x: usize| (x as f32 + 0.5 - marks.crown.x).abs() < 0.8 * span;
    let touching = top
        .iter()
        .enumerate()
        .filter(|(x, a)| near(*x) && **a > 0.5)
        .count();
    mesh.points[..468].iter().any(outside) || touching as f32 > 0.15 * span
}

/// How far to trust it all: the weakest of detector, landmarks and matte.
fn confidence(face: &Face, mesh: &Mesh, layers: &Layers, backdrop: bool) -> f32 {
    // A detector score of 0.5 just counts as a face, 0.7 to 0.93 are usual.
    let detector = ((face.score - 0.4) / 0.3).max(0.0).min(1.0);
    let area = layers.alpha.iter().map(|a| f64::from(*a)).sum::<f64>() / layers.alpha.len() as f64;
    let soft = layers
        .alpha
        .iter()
        .filter(|a| **a > 0.1 && **a < 0.9)
        .count() as f64
        / layers.alpha.len() as f64;
    // A matte of which over a third of the sitter is half-transparent is none.
    let matte = (1.0 - 1.5 * soft / area.max(1e-3)).max(0.0).min(1.0) as f32;
    let matte = if backdrop { matte } else { 0.4 * matte };
    detector.min(mesh.score).min(matte)
}
