//! A small runner for neural nets whose answers have the same bits on every x86-64 machine.
//!
//! Libraries for this choose fused multiply-adds when the machine has them, so two machines
//! differ in the last bits, and at a threshold in a whole region. This runner knows only the two
//! dozen operations that the nets here use ([`operators`], [`conv`]), adds in one fixed order and
//! fuses everywhere or nowhere; vector units and threads share out whole sums, never parts of one.
//!
//! [`Net::load`] reads ONNX ([`onnx`]), works out every shape and checks every setting, so
//! [`Net::run`] can only refuse an input of the wrong shape.

mod conv;
mod multiply;
mod onnx;
mod operators;

use std::collections::HashMap;

use ndarray::{ArrayD, ArrayViewD, CowArray, IxDyn};

use conv::Then;
use onnx::Values;
use operators::{Known, Operation, Spare, lower};

/// Why a net could not be loaded or run.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum NetError {
    /// The file breaks a rule.
    #[error("the net's {place} is malformed: {rule}")]
    Malformed {
        /// Part of the file.
        place: String,
        /// Rule that is broken.
        rule: &'static str,
    },
    /// The file asks for what this runner does not know.
    #[error("the net needs what is not supported: {what}")]
    Unsupported {
        /// What it asks for.
        what: String,
    },
    /// The file asks for too much.
    #[error("the net goes beyond a limit: {what}")]
    Limit {
        /// What there is too much of.
        what: &'static str,
    },
    /// The input has another shape than the net expects.
    #[error("the net takes an input of shape {expected:?}, not {found:?}")]
    Shape {
        /// Sizes it takes.
        expected: Vec<usize>,
        /// Sizes it was given.
        found: Vec<usize>,
    },
}

/// Most operations in a net; the largest here has 420 with its casts.
const MOST_NODES: usize = 10_000;

/// Where a step finds a value.
#[derive(Debug)]
enum Source {
    /// Given or computed: the slot, and whether nobody reads it later.
    Slot {
        index: usize,
        last: bool,
    },
    Stored(ArrayD<f32>),
}

#[derive(Debug)]
struct Step {
    operation: Operation,
    inputs: Vec<Source>,
    shape: Vec<usize>,
}

/// A net, ready to run. Its steps fill slots one after another; slot 0 is the input.
#[derive(Debug)]
pub struct Net {
    input: Vec<usize>,
    steps: Vec<Step>,
    outputs: Vec<usize>,
}

/// What a name in the file stands for.
enum Named {
    Slot(usize),
    Stored(Vec<usize>, Values),
}

impl Net {
    /// Reads and checks a model: ONNX, operator set 17, one input, fixed shapes.
    ///
    /// # Errors
    /// When the bytes are no such model, ask for an unknown operation or go beyond a limit.
    pub fn load(bytes: &[u8]) -> Result<Self, NetError> {
        let graph = onnx::read(bytes)?;
        let malformed = |place: &str, rule| NetError::Malformed {
            place: place.to_owned(),
            rule,
        };
        if graph.nodes.len() > MOST_NODES {
            return Err(NetError::Limit {
                what: "more than 10,000 operations",
            });
        }
        let mut names: HashMap<String, Named> = HashMap::new();
        for tensor in graph.tensors {
            names.insert(tensor.name, Named::Stored(tensor.shape, tensor.values));
        }
        let [(input_name, input)] = &graph.inputs[..] else {
            return Err(malformed("graph", "it must have one input"));
        };
        names.insert(input_name.clone(), Named::Slot(0));

        let mut shapes = vec![input.clone()];
        let mut steps: Vec<Step> = Vec::new();
        for node in &graph.nodes {
            let [output] = &node.outputs[..] else {
                return Err(malformed(&node.kind, "it must have one output"));
            };
            // Stored half floats became f32 when they were read.
            if node.kind == "Cast"
                && let [only] = &node.inputs[..]
                && let Some(Named::Stored(shape, Values::Float(values))) = names.get(only)
            {
                let stored = Named::Stored(shape.clone(), Values::Float(values.clone()));
                names.insert(output.clone(), stored);
                continue;
            }
            let known = node
                .inputs
                .iter()
                .map(|name| match names.get(name) {
                    _ if name.is_empty() => Ok(None),
                    Some(Named::Slot(slot)) => Ok(Some(Known::Shape(&shapes[*slot]))),
                    Some(Named::Stored(shape, values)) => Ok(Some(Known::Stored(shape, values))),
                    None => Err(malformed(&node.kind, "an input comes from nowhere")),
                })
                .collect::<Result<Vec<_>, _>>()?;
            let lowered = lower(node, &known)?;
            let inputs = node.inputs[..lowered.reads.min(node.inputs.len())]
                .iter()
                .map(|name| match names.get(name) {
                    Some(&Named::Slot(index)) => Ok(Source::Slot { index, last: false }),
                    Some(Named::Stored(shape, Values::Float(values))) => {
                        ArrayD::from_shape_vec(IxDyn(shape), values.clone())
                            .map(Source::Stored)
                            .map_err(|_| malformed(&node.kind, "a stored value does not fit"))
                    }
                    _ => Err(malformed(&node.kind, "an input is not of numbers")),
                })
                .collect::<Result<Vec<_>, _>>()?;
            names.insert(output.clone(), Named::Slot(shapes.len()));
            shapes.push(lowered.shape.clone());
            steps.push(Step {
                operation: lowered.operation,
                inputs,
                shape: lowered.shape,
            });
        }
        let outputs = graph
            .outputs
            .iter()
            .map(|name| match names.get(name) {
                Some(&Named::Slot(slot)) => Ok(slot),
                _ => Err(malformed("graph", "an output is not computed")),
            })
            .collect::<Result<Vec<_>, _>>()?;
        take_in(&mut steps, &outputs);
        mark_last_uses(&mut steps, &outputs);
        Ok(Self {
            input: input.clone(),
            steps,
            outputs,
        })
    }

    /// Sizes of the input: for a picture 1, channels, rows, columns.
    pub fn input_shape(&self) -> &[usize] {
        &self.input
    }

    /// Runs the net on all threads; gives its outputs in the model's order.
    ///
    /// # Errors
    /// When the input's shape is not [`Net::input_shape`].
    pub fn run(&self, input: ArrayViewD<'_, f32>) -> Result<Vec<ArrayD<f32>>, NetError> {
        if input.shape() != self.input {
            return Err(NetError::Shape {
                expected: self.input.clone(),
                found: input.shape().to_vec(),
            });
        }
        let mut slots: Vec<Option<ArrayD<f32>>> = Vec::with_capacity(self.steps.len() + 1);
        slots.push(Some(input.as_standard_layout().into_owned()));
        let mut spare = Spare::default();
        for step in &self.steps {
            // Values that are read for the last time are handed over and freed or reused.
            let owned: Vec<_> = step
                .inputs
                .iter()
                .map(|source| match source {
                    Source::Slot { index, last: true } => slots[*index].take(),
                    _ => None,
                })
                .collect();
            let inputs = step
                .inputs
                .iter()
                .zip(owned)
                .map(|(source, owned)| match (source, owned) {
                    (_, Some(owned)) => CowArray::from(owned),
                    (Source::Slot { index, .. }, None) => CowArray::from(
                        slots[*index]
                            .as_ref()
                            .expect("a slot is kept until its last use")
                            .view(),
                    ),
                    (Source::Stored(stored), None) => CowArray::from(stored.view()),
                })
                .collect();
            let out = step.operation.run(inputs, &step.shape, &mut spare);
            slots.push(Some(out));
        }
        let output = |(index, &slot): (usize, &usize)| {
            let value = if self.outputs[index + 1..].contains(&slot) {
                slots[slot].clone()
            } else {
                slots[slot].take()
            };
            value.expect("outputs are kept to the end")
        };
        Ok(self.outputs.iter().enumerate().map(output).collect())
    }
}

/// Lets convolutions do what follows them and alone reads them, value by value: a sum is changed while it is
/// still in the cache.
fn take_in(steps: &mut [Step], outputs: &[usize]) {
    let mut uses = vec![0; steps.len() + 1];
    let slots = |step: &Step| -> Vec<usize> {
        let slot = |source: &Source| match source {
            Source::Slot { index, .. } => Some(*index),
            Source::Stored(_) => None,
        };
        step.inputs.iter().filter_map(slot).collect()
    };
    let read = steps.iter().flat_map(slots);
    read.chain(outputs.iter().copied())
        .for_each(|slot| uses[slot] += 1);
    for later in 1..steps.len() {
        let (before, rest) = steps.split_at_mut(later);
        let step = &mut rest[0];
        // Step n fills slot n + 1.
        let before = match slots(step)[..] {
            [slot] if slot > 0 && uses[slot] == 1 => &mut before[slot - 1],
            _ => continue,
        };
        let Operation::Conv(conv) = &mut before.operation else {
            continue;
        };
        let [channels, ..] = conv.output();
        if matches!(conv.then(), Then::Nothing) {
            *conv.then() = match &mut step.operation {
                Operation::Relu => Then::Relu,
                Operation::PRelu(slopes) if slopes.len() == channels => {
                    Then::Slopes(std::mem::take(slopes))
                }
                _ => continue,
            };
            step.operation = Operation::Same;
        }
    }
}

/// Marks the source after which a slot can be freed. A step that reads one slot twice only views
/// it, and the slot then lives to the end.
fn mark_last_uses(steps: &mut [Step], outputs: &[usize]) {
    let mut seen: Vec<bool> = vec![false; steps.len() + 1];
    for &output in outputs {
        seen[output] = true;
    }
    for step in steps.iter_mut().rev() {
        let indices: Vec<_> = step
            .inputs
            .iter()
            .filter_map(|source| match source {
                Source::Slot { index, .. } => Some(*index),
                Source::Stored(_) => None,
            })
            .collect();
        for source in &mut step.inputs {
            if let Source::Slot { index, last } = source {
                let once = indices.iter().filter(|other| *other == index).count() == 1;
                *last = once && !seen[*index];
            }
        }
        for index in indices {
            seen[index] = true;
        }
    }
}
