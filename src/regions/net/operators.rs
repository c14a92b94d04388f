//! The graph's operations besides convolution, each as ONNX operator set 17 defines it.
//!
//! A node is lowered once, when the net is loaded: every setting is checked, every shape is
//! known, and constants that say axes or sizes are read. Running cannot fail after that. Truth
//! values (`Equal`) are held as 0 and 1, so `Cast` to float changes nothing at run time.
//! Sums go in row order; the exponential is [`math::exp`].

use ndarray::{ArrayD, Axis, CowArray, IxDyn, Slice, Zip};
use rayon::prelude::*;

use super::NetError;
use super::conv::{self, Conv, Cube, Placing};
use super::onnx::{Node, Values, count};
use crate::picture::bands::vectorised;
use crate::picture::math;

/// What a node takes in, as far as it is known when the net is loaded.
#[derive(Debug)]
pub(super) enum Known<'a> {
    /// Computed at run time; its shape.
    Shape(&'a [usize]),
    /// Stored in the file.
    Stored(&'a [usize], &'a Values),
}

impl Known<'_> {
    fn shape(&self) -> &[usize] {
        match self {
            Self::Shape(shape) | Self::Stored(shape, _) => shape,
        }
    }
}

/// A value at run time: owned when nobody reads it later.
pub(super) type Value<'a> = CowArray<'a, f32, IxDyn>;

/// Room of values that nobody reads any more, for those to come: to touch fresh memory for the first time costs
/// as much as to fill it.
#[derive(Debug, Default)]
pub(super) struct Spare(Vec<Vec<f32>>);

impl Spare {
    /// Room for so many values; what stands there is anything.
    fn take(&mut self, count: usize) -> Vec<f32> {
        // A small value must not hold on to the room of a large one.
        let fitting = count..=count.saturating_mul(4);
        let rooms = self.0.iter().enumerate();
        let least = rooms
            .filter(|(_, room)| fitting.contains(&room.capacity()))
            .min_by_key(|(_, room)| room.capacity());
        let Some((index, _)) = least else {
            return vec![0.0; count];
        };
        let mut room = self.0.swap_remove(index);
        room.resize(count, 0.0);
        room
    }

    /// Keeps the room of a value that was read for the last time.
    fn keep(&mut self, value: Value<'_>) {
        if value.is_owned() {
            self.0.push(value.into_owned().into_raw_vec_and_offset().0);
        }
    }
}

/// One operation, ready to run.
#[derive(Debug)]
pub(super) enum Operation {
    Conv(Conv),
    /// One slope per channel for negative values.
    PRelu(Vec<f32>),
    Relu,
    HardSwish,
    Sigmoid,
    Add,
    Sub,
    Mul,
    Equal,
    /// The value itself (`Cast` to float).
    Same,
    MaxPool(Placing),
    GlobalAveragePool,
    /// Zeros before and after, per axis.
    Pad(Vec<[usize; 2]>),
    /// Rows and columns, linear between pixel centres.
    Resize,
    Concat(usize),
    /// Axis, first, end, step.
    Slice(Vec<(usize, Slice)>),
    Transpose(Vec<usize>),
    /// `Reshape` and `Unsqueeze`.
    Reshape,
}

/// An operation with the shape of what it gives and which of the node's inputs it reads when run.
pub(super) struct Lowered {
    pub(super) operation: Operation,
    pub(super) shape: Vec<usize>,
    pub(super) reads: usize,
}

/// Reads the settings of one node; errors name it.
struct Settings<'a> {
    node: &'a Node,
    inputs: &'a [Option<Known<'a>>],
}

impl<'a> Settings<'a> {
    fn refuse<T>(&self, rule: &'static str) -> Result<T, NetError> {
        Err(NetError::Malformed {
            place: format!(
                "{} giving {}",
                self.node.kind,
                self.node.outputs.first().map_or("nothing", String::as_str)
            ),
            rule,
        })
    }

    fn input(&self, index: usize) -> Result<&'a Known<'a>, NetError> {
        match self.inputs.get(index) {
            Some(Some(input)) => Ok(input),
            _ => self.refuse("an input is missing"),
        }
    }

    fn has(&self, index: usize) -> bool {
        matches!(self.inputs.get(index), Some(Some(_)))
    }

    /// Channels, rows and columns of a batch of one.
    fn cube(&self) -> Result<Cube, NetError> {
        match self.input(0)?.shape() {
            &[1, channels, rows, columns] if channels > 0 && rows > 0 && columns > 0 => {
                Ok([channels, rows, columns])
            }
            _ => self.refuse("it needs one picture of rows and columns"),
        }
    }

    fn floats(&self, index: usize) -> Result<(&'a [usize], &'a [f32]), NetError> {
        match self.input(index)? {
            Known::Stored(shape, Values::Float(values)) => Ok((shape, values)),
            _ => self.refuse("weights must be stored in the file"),
        }
    }

    fn wholes(&self, index: usize) -> Result<&'a [i64], NetError> {
        match self.input(index)? {
            Known::Stored(_, Values::Whole(values)) => Ok(values),
            _ => self.refuse("axes and sizes must be stored in the file"),
        }
    }

    fn list(&self, name: &str) -> &'a [i64] {
        self.node.attributes.get(name).map_or(&[], |a| &a.wholes)
    }

    fn whole(&self, name: &str, default: i64) -> i64 {
        let found = self.node.attributes.get(name);
        found.and_then(|a| a.whole).unwrap_or(default)
    }

    fn text(&self, name: &str, default: &'static str) -> &'a str {
        let found = self.node.attributes.get(name);
        found.and_then(|a| a.text.as_deref()).unwrap_or(default)
    }

    /// An axis, counted from the end when negative.
    fn axis(&self, axis: i64, axes: usize) -> Result<usize, NetError> {
        let axes = axes as i64;
        let from_front = if axis < 0 {
            axis.saturating_add(axes)
        } else {
            axis
        };
        if (0..axes).contains(&from_front) {
            Ok(from_front as usize)
        } else {
            self.refuse("there is no such axis")
        }
    }

    fn placing(&self) -> Result<Placing, NetError> {
        let pair = |name: &str, default: &[usize]| -> Result<Vec<usize>, NetError> {
            let list = self.list(name);
            if list.is_empty() {
                return Ok(default.to_vec());
            }
            // No kernel, stride, dilation or border here comes near a thousand.
            let small: Vec<_> = list
                .iter()
                .filter_map(|&n| usize::try_from(n).ok().filter(|&n| n <= 1000))
                .collect();
            if small.len() == list.len() && small.len() == default.len() {
                Ok(small)
            } else {
                self.refuse("a kernel, stride or border is out of range")
            }
        };
        let kernel = pair("kernel_shape", &[0, 0])?;
        let stride = pair("strides", &[1, 1])?;
        let dilation = pair("dilations", &[1, 1])?;
        let pads = pair("pads", &[0, 0, 0, 0])?;
        if kernel.contains(&0) || stride.contains(&0) || dilation.contains(&0) {
            return self.refuse("a kernel or stride is zero");
        }
        if self.text("auto_pad", "NOTSET") != "NOTSET" {
            return self.refuse("borders must be written out");
        }
        Ok(Placing {
            kernel: [kernel[0], kernel[1]],
            stride: [stride[0], stride[1]],
            dilation: [dilation[0], dilation[1]],
            before: [pads[0], pads[1]],
            after: [pads[2], pads[3]],
        })
    }

    fn convolution(&self) -> Result<(Operation, Vec<usize>), NetError> {
        let (input, placing) = (self.cube()?, self.placing()?);
        let weights = self.floats(1)?;
        let bias = if self.has(2) {
            Some(self.floats(2)?.1)
        } else {
            None
        };
        let Ok(groups) = usize::try_from(self.whole("group", 1)) else {
            return self.refuse("its groups are negative");
        };
        let conv = if self.node.kind == "Conv" {
            Conv::new(input, weights, bias, groups, placing)?
        } else if groups == 1
            && self.list("output_padding").iter().all(|&n| n == 0)
            && self.list("output_shape").is_empty()
        {
            Conv::transposed(input, weights, bias, placing)?
        } else {
            return self.refuse("transposed convolution with groups or a set output shape");
        };
        let [channels, rows, columns] = conv.output();
        Ok((Operation::Conv(conv), vec![1, channels, rows, columns]))
    }

    fn slopes(&self) -> Result<Operation, NetError> {
        let (channels, (shape, slopes)) = (self.cube()?[0], self.floats(1)?);
        if shape == [channels, 1, 1] || shape == [1, channels, 1, 1] {
            Ok(Operation::PRelu(slopes.to_vec()))
        } else {
            self.refuse("it needs one slope per channel")
        }
    }

    /// The shape two operands have together (numpy's broadcasting).
    fn together(&self) -> Result<Vec<usize>, NetError> {
        let (a, b) = (self.input(0)?.shape(), self.input(1)?.shape());
        let axes = a.len().max(b.len());
        let size = |shape: &[usize], axis: usize| {
            (axis + shape.len())
                .checked_sub(axes)
                .map_or(1, |i| shape[i])
        };
        (0..axes)
            .map(|axis| match (size(a, axis), size(b, axis)) {
                (a, b) if a == b || b == 1 => Ok(a),
                (1, b) => Ok(b),
                _ => self.refuse("the operands' shapes do not fit"),
            })
            .collect()
    }

    fn pooling(&self) -> Result<(Operation, Vec<usize>), NetError> {
        let ([channels, rows, columns], placing) = (self.cube()?, self.placing()?);
        if placing.before != [0, 0] || placing.after != [0, 0] || placing.dilation != [1, 1] {
            return self.refuse("a maximum over borders or with gaps");
        }
        if self.whole("ceil_mode", 0) != 0 {
            return self.refuse("a maximum over part of a kernel");
        }
        let shape = vec![
            1,
            channels,
            conv::reach(rows, &placing, 0)?,
            conv::reach(columns, &placing, 1)?,
        ];
        Ok((Operation::MaxPool(placing), shape))
    }

    fn padding(&self) -> Result<(Operation, Vec<usize>), NetError> {
        let (shape, pads) = (self.input(0)?.shape(), self.wholes(1)?);
        if self.text("mode", "constant") != "constant" || self.has(2) {
            return self.refuse("borders of anything but zeros");
        }
        let pads: Vec<_> = pads
            .iter()
            .filter_map(|&n| usize::try_from(n).ok())
            .collect();
        if pads.len() != 2 * shape.len() {
            return self.refuse("two borders per axis are needed, none negative");
        }
        let pads: Vec<_> = (0..shape.len())
            .map(|i| [pads[i], pads[i + shape.len()]])
            .collect();
        let grown = shape
            .iter()
            .zip(&pads)
            .map(|(size, [before, after])| size.checked_add(*before)?.checked_add(*after))
            .collect::<Option<Vec<_>>>();
        match grown {
            Some(grown) => Ok((Operation::Pad(pads), grown)),
            None => self.refuse("its borders are too wide"),
        }
    }

    fn resizing(&self) -> Result<(Operation, Vec<usize>), NetError> {
        let [channels, rows, columns] = self.cube()?;
        let linear = self.text("mode", "nearest") == "linear"
            && self.text("coordinate_transformation_mode", "half_pixel") == "half_pixel";
        if !linear || self.has(1) {
            return self.refuse("resizing other than linear between pixel centres");
        }
        let sizes: Vec<Option<usize>> = if self.has(3) {
            let sizes = self.wholes(3)?;
            sizes.iter().map(|&n| usize::try_from(n).ok()).collect()
        } else {
            let old = [1, channels, rows, columns];
            let (_, scales) = self.floats(2)?;
            let times = |(&scale, old): (&f32, usize)| {
                ((1.0..=64.0).contains(&scale) && scale.fract() == 0.0)
                    .then(|| old * scale as usize)
            };
            scales.iter().zip(old).map(times).collect()
        };
        match sizes[..] {
            [Some(1), Some(same), Some(high), Some(wide)]
                if same == channels && high > 0 && wide > 0 =>
            {
                let shape = vec![1, channels, high, wide];
                count(&shape)?;
                Ok((Operation::Resize, shape))
            }
            _ => self.refuse("resizing of more than rows and columns, or to no whole size"),
        }
    }

    fn joining(&self) -> Result<(Operation, Vec<usize>), NetError> {
        let mut shape = self.input(0)?.shape().to_vec();
        let axis = self.axis(self.whole("axis", i64::MIN), shape.len())?;
        for index in 1..self.inputs.len() {
            let other = self.input(index)?.shape();
            let fits = other.len() == shape.len()
                && (0..shape.len()).all(|i| i == axis || shape[i] == other[i]);
            if !fits {
                return self.refuse("the parts' shapes do not fit");
            }
            shape[axis] += other[axis];
        }
        Ok((Operation::Concat(axis), shape))
    }

    fn slicing(&self) -> Result<(Operation, Vec<usize>), NetError> {
        let mut shape = self.input(0)?.shape().to_vec();
        let (starts, ends, axes) = (self.wholes(1)?, self.wholes(2)?, self.wholes(3)?);
        let steps = if self.has(4) { self.wholes(4)? } else { &[] };
        if starts.len() != axes.len() || ends.len() != axes.len() {
            return self.refuse("a start and an end are needed per axis");
        }
        let mut slices = Vec::new();
        for (i, &axis) in axes.iter().enumerate() {
            let axis = self.axis(axis, shape.len())?;
            let size = shape[axis] as i64;
            let step = steps.get(i).copied().unwrap_or(1);
            if !(1..=1000).contains(&step) || slices.iter().any(|&(other, _)| other == axis) {
                return self.refuse("steps must be positive and axes different");
            }
            let place = |at: i64| {
                let at = if at < 0 { at.saturating_add(size) } else { at };
                at.clamp(0, size) as usize
            };
            let (first, end) = (place(starts[i]), place(ends[i]));
            if first >= end {
                return self.refuse("an empty slice");
            }
            shape[axis] = (end - first).div_ceil(step as usize);
            let slice = Slice::new(first as isize, Some(end as isize), step as isize);
            slices.push((axis, slice));
        }
        Ok((Operation::Slice(slices), shape))
    }

    fn turning(&self) -> Result<(Operation, Vec<usize>), NetError> {
        let shape = self.input(0)?.shape();
        let order = self
            .list("perm")
            .iter()
            .map(|&axis| self.axis(axis, shape.len()))
            .collect::<Result<Vec<_>, _>>()?;
        let complete = (0..shape.len()).all(|axis| order.contains(&axis));
        if order.len() != shape.len() || !complete {
            return self.refuse("every axis must be named once");
        }
        let turned = order.iter().map(|&axis| shape[axis]).collect();
        Ok((Operation::Transpose(order), turned))
    }

    fn reshaping(&self) -> Result<(Operation, Vec<usize>), NetError> {
        let (old, wanted) = (self.input(0)?.shape(), self.wholes(1)?);
        let shape: Vec<_> = wanted
            .iter()
            .filter_map(|&n| usize::try_from(n).ok())
            .collect();
        if shape.len() != wanted.len() || count(&shape)? != count(old)? {
            return self.refuse("the new shape must be written out and hold as many values");
        }
        Ok((Operation::Reshape, shape))
    }

    fn unsqueezing(&self) -> Result<(Operation, Vec<usize>), NetError> {
        let (mut shape, axes) = (self.input(0)?.shape().to_vec(), self.wholes(1)?);
        let &[axis] = axes else {
            return self.refuse("one new axis at a time");
        };
        let axis = self.axis(axis, shape.len() + 1)?;
        shape.insert(axis, 1);
        Ok((Operation::Reshape, shape))
    }
}

/// Checks a node and makes it ready to run.
pub(super) fn lower(node: &Node, inputs: &[Option<Known<'_>>]) -> Result<Lowered, NetError> {
    let settings = Settings { node, inputs };
    let same = || Ok::<_, NetError>(settings.input(0)?.shape().to_vec());
    let ((operation, shape), reads) = match node.kind.as_str() {
        "Conv" | "ConvTranspose" => (settings.convolution()?, 1),
        "PRelu" => ((settings.slopes()?, same()?), 1),
        "Relu" => ((Operation::Relu, same()?), 1),
        "HardSwish" => ((Operation::HardSwish, same()?), 1),
        "Sigmoid" => ((Operation::Sigmoid, same()?), 1),
        "Cast" if settings.whole("to", 0) == 1 => ((Operation::Same, same()?), 1),
        "Add" => ((Operation::Add, settings.together()?), 2),
        "Sub" => ((Operation::Sub, settings.together()?), 2),
        "Mul" => ((Operation::Mul, settings.together()?), 2),
        "Equal" => ((Operation::Equal, settings.together()?), 2),
        "MaxPool" => (settings.pooling()?, 1),
        "GlobalAveragePool" => {
            let [channels, ..] = settings.cube()?;
            ((Operation::GlobalAveragePool, vec![1, channels, 1, 1]), 1)
        }
        "Pad" => (settings.padding()?, 1),
        "Resize" => (settings.resizing()?, 1),
        "Concat" => (settings.joining()?, inputs.len()),
        "Slice" => (settings.slicing()?, 1),
        "Transpose" => (settings.turning()?, 1),
        "Reshape" => (settings.reshaping()?, 1),
        "Unsqueeze" => (settings.unsqueezing()?, 1),
        other => {
            return Err(NetError::Unsupported {
                what: format!("operation {other}"),
            });
        }
    };
    if shape.len() > 6 {
        return settings.refuse("more than six axes");
    }
    count(&shape)?;
    Ok(Lowered {
        operation,
        shape,
        reads,
    })
}

impl Operation {
    /// Runs on what [`lower`] checked; gives an array of `shape` in row order.
    pub(super) fn run(
        &self,
        mut inputs: Vec<Value<'_>>,
        shape: &[usize],
        spare: &mut Spare,
    ) -> ArrayD<f32> {
        if let Self::Conv(_) | Self::Concat(_) | Self::Resize = self {
            // These write every value of what they give.
            let mut out = spare.take(shape.iter().product());
            match self {
                Self::Conv(conv) => conv.run(values(&inputs[0]), &mut out),
                Self::Concat(axis) => joined(&inputs, *axis, &mut out),
                _ => resized(&inputs[0], shape, &mut out),
            }
            inputs.into_iter().for_each(|input| spare.keep(input));
            return with_shape(shape, out);
        }
        let second = if inputs.len() > 1 { inputs.pop() } else { None };
        let first = inputs
            .pop()
            .expect("lowering checked that there is an input");
        match (self, second) {
            (Self::Add, Some(second)) => pairwise(first, second, shape, spare, |a, b| a + b),
            (Self::Sub, Some(second)) => pairwise(first, second, shape, spare, |a, b| a - b),
            (Self::Mul, Some(second)) => pairwise(first, second, shape, spare, |a, b| a * b),
            (Self::Equal, Some(second)) => pairwise(first, second, shape, spare, |a, b| {
                f32::from(u8::from(a == b))
            }),
            _ => self.run_single(first, shape),
        }
    }

    /// Operations that change one value where it stands or give a small one.
    fn run_single(&self, input: Value<'_>, shape: &[usize]) -> ArrayD<f32> {
        match self {
            Self::PRelu(slopes) => by_channel(input, slopes),
            Self::Relu => each(input, |v| if v > 0.0 { v } else { 0.0 }),
            Self::HardSwish => each(input, |v| v * (v * (1.0 / 6.0) + 0.5).max(0.0).min(1.0)),
            Self::Sigmoid => each(input, |v| 1.0 / (1.0 + math::exp(-v))),
            Self::MaxPool(placing) => with_shape(shape, largest(&input, placing, shape)),
            Self::GlobalAveragePool => with_shape(shape, average(&input)),
            Self::Pad(pads) => padded(&input, pads, shape),
            Self::Slice(slices) => {
                let mut view = input.view();
                for &(axis, slice) in slices {
                    view.slice_axis_inplace(Axis(axis), slice);
                }
                view.as_standard_layout().into_owned()
            }
            Self::Transpose(order) => input
                .view()
                .permuted_axes(IxDyn(order))
                .as_standard_layout()
                .into_owned(),
            Self::Reshape => with_shape(shape, input.into_owned().into_raw_vec_and_offset().0),
            _ => input.into_owned(),
        }
    }
}

fn values<'a>(input: &'a Value<'_>) -> &'a [f32] {
    input
        .as_slice()
        .expect("every value here is stored in row order")
}

fn with_shape(shape: &[usize], values: Vec<f32>) -> ArrayD<f32> {
    ArrayD::from_shape_vec(IxDyn(shape), values).expect("lowering worked out this shape")
}

/// Values that one thread changes in one go: about 20 microseconds of reading and writing.
const PIECE: usize = 1 << 15;

/// Puts the parts one behind the other along an axis.
fn joined(parts: &[Value<'_>], axis: usize, out: &mut [f32]) {
    let lengths = parts
        .iter()
        .map(|part| part.shape()[axis..].iter().product());
    let lengths: Vec<usize> = lengths.collect();
    let row = lengths.iter().sum::<usize>().max(1);
    // Many short rows: a piece of them to a thread. One row or long ones: their parts in pieces.
    if row <= PIECE {
        let rows = PIECE / row;
        let pieces = out.par_chunks_mut(rows * row).enumerate();
        pieces.for_each(|(piece, out)| {
            let from = |part: usize, length: usize| {
                &values(&parts[part])[piece * rows * length..][..out.len() / row * length]
            };
            if lengths == [1, 1] {
                let pairs = from(0, 1).iter().zip(from(1, 1));
                let out = out.as_chunks_mut::<2>().0.iter_mut();
                out.zip(pairs).for_each(|(out, (&a, &b))| *out = [a, b]);
                return;
            }
            let sources: Vec<_> = (lengths.iter().enumerate())
                .map(|(part, &length)| from(part, length))
                .collect();
            for (index, mut row) in out.chunks_exact_mut(row).enumerate() {
                for (source, &length) in sources.iter().zip(&lengths) {
                    let (to, rest) = row.split_at_mut(length);
                    to.copy_from_slice(&source[index * length..][..length]);
                    row = rest;
                }
            }
        });
        return;
    }
    for (index, mut row) in out.chunks_exact_mut(row).enumerate() {
        for (part, &length) in parts.iter().zip(&lengths) {
            let (to, rest) = row.split_at_mut(length);
            let from = &values(part)[index * length..][..length];
            let pieces = to.par_chunks_mut(PIECE).zip(from.par_chunks(PIECE));
            pieces.for_each(|(to, from)| to.copy_from_slice(from));
            row = rest;
        }
    }
}

/// Changes every value on its own.
fn each(input: Value<'_>, change: impl Fn(f32) -> f32 + Sync) -> ArrayD<f32> {
    let mut out = input.into_owned();
    let values = out
        .as_slice_mut()
        .expect("every value here is stored in row order");
    values.par_chunks_mut(PIECE).for_each(|values| {
        vectorised(
            #[inline(always)]
            || {
                for value in values {
                    *value = change(*value);
                }
            },
        );
    });
    out
}

/// x for positive values, slope times x for others, the slope by channel.
fn by_channel(input: Value<'_>, slopes: &[f32]) -> ArrayD<f32> {
    let mut out = input.into_owned();
    let plane = (out.len() / slopes.len()).max(1);
    let values = out
        .as_slice_mut()
        .expect("every value here is stored in row order");
    values
        .par_chunks_exact_mut(plane)
        .zip(slopes)
        .with_min_len(PIECE / plane + 1)
        .for_each(|(plane, &slope)| {
            vectorised(
                #[inline(always)]
                move || {
                    for value in plane {
                        *value = if *value < 0.0 { slope * *value } else { *value };
                    }
                },
            );
        });
    out
}

/// Joins two values, stretching axes of size 1.
fn pairwise(
    first: Value<'_>,
    second: Value<'_>,
    shape: &[usize],
    spare: &mut Spare,
    join: impl Fn(f32, f32) -> f32 + Sync,
) -> ArrayD<f32> {
    if first.shape() == shape {
        let mut out = first.into_owned();
        if second.shape() == shape {
            let values_of = out.as_slice_mut();
            let pieces = values_of
                .expect("every value here is stored in row order")
                .par_chunks_mut(PIECE)
                .zip(values(&second).par_chunks(PIECE));
            pieces.for_each(|(first, second)| {
                vectorised(
                    #[inline(always)]
                    || {
                        for (a, &b) in first.iter_mut().zip(second) {
                            *a = join(*a, b);
                        }
                    },
                );
            });
            spare.keep(second);
            return out;
        }
        let second = second
            .broadcast(IxDyn(shape))
            .expect("lowering checked that the shapes fit");
        Zip::from(&mut out)
            .and(&second)
            .for_each(|a, &b| *a = join(*a, b));
        return out;
    }
    let broadcast = |value: &Value<'_>| {
        value
            .broadcast(IxDyn(shape))
            .expect("lowering checked that the shapes fit")
            .as_standard_layout()
            .into_owned()
    };
    let (mut out, second) = (broadcast(&first), broadcast(&second));
    Zip::from(&mut out)
        .and(&second)
        .for_each(|a, &b| *a = join(*a, b));
    out
}

fn largest(input: &Value<'_>, placing: &Placing, shape: &[usize]) -> Vec<f32> {
    let (rows, columns) = (input.shape()[2], input.shape()[3]);
    let (high, wide) = (shape[2], shape[3]);
    let mut out = vec![f32::NEG_INFINITY; shape.iter().product()];
    let planes = values(input).par_chunks_exact(rows * columns);
    let pairs = out.par_chunks_exact_mut(high * wide).zip(planes);
    pairs.for_each(|(out, plane)| {
        for (y, out) in out.chunks_exact_mut(wide).enumerate() {
            for k in 0..placing.kernel[0] {
                let row = &plane[(y * placing.stride[0] + k) * columns..][..columns];
                for (windows, out) in row
                    .windows(placing.kernel[1])
                    .step_by(placing.stride[1])
                    .zip(&mut *out)
                {
                    for &value in windows {
                        *out = if value > *out { value } else { *out };
                    }
                }
            }
        }
    });
    out
}

/// Mean of each channel: rows summed one by one, in f64 so that the order costs no precision.
fn average(input: &Value<'_>) -> Vec<f32> {
    let plane = input.shape()[2] * input.shape()[3];
    let mean = |values: &[f32]| values.iter().map(|&v| f64::from(v)).sum::<f64>() / plane as f64;
    values(input)
        .chunks_exact(plane)
        .map(|plane| mean(plane) as f32)
        .collect()
}

fn padded(input: &Value<'_>, pads: &[[usize; 2]], shape: &[usize]) -> ArrayD<f32> {
    let mut out = ArrayD::zeros(IxDyn(shape));
    out.slice_each_axis_mut(|axis| {
        let [before, _] = pads[axis.axis.index()];
        let end = before + input.shape()[axis.axis.index()];
        Slice::new(before as isize, Some(end as isize), 1)
    })
    .assign(input);
    out
}

/// Where an output sample lies between two input samples: first, second, share of the second.
fn between(old: usize, new: usize) -> Vec<(usize, usize, f32)> {
    let ratio = old as f32 / new as f32;
    let last = (old - 1) as f32;
    (0..new)
        .map(|i| {
            let place = ((i as f32 + 0.5) * ratio - 0.5).max(0.0).min(last);
            let first = place as usize;
            (first, (first + 1).min(old - 1), place - first as f32)
        })
        .collect()
}

/// Linear interpolation, first down the columns, then along the rows.
fn resized(input: &Value<'_>, shape: &[usize], out: &mut [f32]) {
    let (rows, columns) = (input.shape()[2], input.shape()[3]);
    let (high, wide) = (shape[2], shape[3]);
    let (down, along) = (between(rows, high), between(columns, wide));
    let input = values(input);
    out.par_chunks_mut(high * wide)
        .enumerate()
        .for_each(|(channel, out)| {
            let plane = &input[channel * rows * columns..][..rows * columns];
            let mut line = vec![0.0; columns];
            for (out, &(upper, lower, share)) in out.chunks_exact_mut(wide).zip(&down) {
                let upper = &plane[upper * columns..][..columns];
                let lower = &plane[lower * columns..][..columns];
                for ((v, &a), &b) in line.iter_mut().zip(upper).zip(lower) {
                    *v = a + share * (b - a);
                }
                for (v, &(left, right, share)) in out.iter_mut().zip(&along) {
                    *v = line[left] + share * (line[right] - line[left]);
                }
            }
        });
}
