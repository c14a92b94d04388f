//! Reads the part of ONNX that the nets here use: tensors, nodes and the graph's ends.
//!
//! ONNX is a Protocol Buffers message (encoding: protobuf.dev, "Encoding"; field numbers:
//! `onnx.proto`, IR version 8). Messages nest to a fixed depth and every length is checked against
//! the bytes that are there before anything is allocated, so a garbled file gives an error.
//! Weights must stand as little-endian `raw_data`; half floats become `f32` without loss.

use std::collections::HashMap;

use super::NetError;

/// Largest count of values in one tensor; the nets here need 2.5 million.
pub(super) const LARGEST_TENSOR: usize = 1 << 24;

/// Values of a tensor as stored.
#[derive(Debug, Clone)]
pub(super) enum Values {
    Float(Vec<f32>),
    Whole(Vec<i64>),
}

/// A tensor stored in the file.
#[derive(Debug, Clone)]
pub(super) struct Tensor {
    pub(super) name: String,
    pub(super) shape: Vec<usize>,
    pub(super) values: Values,
}

/// One attribute of a node.
#[derive(Debug, Clone, Default)]
pub(super) struct Attribute {
    pub(super) float: Option<f32>,
    pub(super) whole: Option<i64>,
    pub(super) text: Option<String>,
    pub(super) wholes: Vec<i64>,
}

/// One node of the graph.
#[derive(Debug, Clone, Default)]
pub(super) struct Node {
    pub(super) kind: String,
    pub(super) inputs: Vec<String>,
    pub(super) outputs: Vec<String>,
    pub(super) attributes: HashMap<String, Attribute>,
}

/// A graph as stored, nodes in the order in which they can run.
#[derive(Debug, Clone, Default)]
pub(super) struct Graph {
    pub(super) nodes: Vec<Node>,
    pub(super) tensors: Vec<Tensor>,
    pub(super) inputs: Vec<(String, Vec<usize>)>,
    pub(super) outputs: Vec<String>,
}

fn malformed(rule: &'static str) -> NetError {
    NetError::Malformed {
        place: "file".into(),
        rule,
    }
}

/// A field's payload by wire type.
enum Field<'a> {
    Varint(u64),
    Bytes(&'a [u8]),
    Fixed32([u8; 4]),
    Fixed64,
}

/// Walks over the fields of one message.
struct Message<'a>(&'a [u8]);

impl<'a> Message<'a> {
    fn varint(&mut self) -> Result<u64, NetError> {
        let mut value = 0;
        for shift in (0..64).step_by(7) {
            let (&byte, rest) = self
                .0
                .split_first()
                .ok_or(malformed("ends inside a number"))?;
            self.0 = rest;
            value |= u64::from(byte & 0x7f) << shift;
            if byte < 0x80 {
                return Ok(value);
            }
        }
        Err(malformed("a number is longer than ten bytes"))
    }

    fn take(&mut self, count: u64) -> Result<&'a [u8], NetError> {
        let ended = malformed("a length reaches beyond the end");
        let Ok(count) = usize::try_from(count) else {
            return Err(ended);
        };
        let (taken, rest) = self.0.split_at_checked(count).ok_or(ended)?;
        self.0 = rest;
        Ok(taken)
    }

    /// Field number and payload, or nothing at the message's end.
    fn next(&mut self) -> Result<Option<(u64, Field<'a>)>, NetError> {
        if self.0.is_empty() {
            return Ok(None);
        }
        let key = self.varint()?;
        let field = match key & 7 {
            0 => Field::Varint(self.varint()?),
            1 => {
                self.take(8)?;
                Field::Fixed64
            }
            2 => {
                let length = self.varint()?;
                Field::Bytes(self.take(length)?)
            }
            5 => {
                let bytes = self.take(4)?;
                Field::Fixed32([bytes[0], bytes[1], bytes[2], bytes[3]])
            }
            _ => return Err(malformed("an unknown kind of field")),
        };
        Ok(Some((key >> 3, field)))
    }
}

fn text(bytes: &[u8]) -> Result<String, NetError> {
    match std::str::from_utf8(bytes) {
        Ok(text) if text.len() <= 256 => Ok(text.to_owned()),
        _ => Err(malformed("a name is no short UTF-8 text")),
    }
}

/// Adds a repeated integer, stored one by one or packed.
fn add_wholes(into: &mut Vec<i64>, field: Field<'_>) -> Result<(), NetError> {
    match field {
        Field::Varint(value) => into.push(value.cast_signed()),
        Field::Bytes(packed) => {
            let mut packed = Message(packed);
            while !packed.0.is_empty() {
                into.push(packed.varint()?.cast_signed());
            }
        }
        _ => return Err(malformed("a list of numbers holds something else")),
    }
    Ok(())
}

/// Sizes of a tensor, with the count of its values checked.
fn shape(sizes: &[i64]) -> Result<Vec<usize>, NetError> {
    if sizes.len() > 6 {
        return Err(NetError::Limit {
            what: "tensor of more than six axes",
        });
    }
    let shape = sizes
        .iter()
        .map(|&size| usize::try_from(size).map_err(|_| malformed("a size is negative")))
        .collect::<Result<Vec<_>, _>>()?;
    count(&shape)?;
    Ok(shape)
}

/// How many values a tensor of this shape holds.
pub(super) fn count(shape: &[usize]) -> Result<usize, NetError> {
    shape
        .iter()
        .try_fold(1_usize, |product, &size| product.checked_mul(size))
        .filter(|&count| count <= LARGEST_TENSOR)
        .ok_or(NetError::Limit {
            what: "tensor of more than 16 million values",
        })
}

/// A half float (IEC 60559 binary16) as `f32`, exactly.
fn half(bits: u16) -> f32 {
    let sign = u32::from(bits & 0x8000) << 16;
    let exponent = u32::from(bits >> 10) & 0x1f;
    let mantissa = u32::from(bits) & 0x3ff;
    let magnitude = match exponent {
        // Subnormal: mantissa x 2^-24.
        0 => (mantissa as f32 * f32::from_bits(0x3380_0000)).to_bits(),
        31 => 0x7f80_0000 | (mantissa << 13),
        _ => ((exponent + 112) << 23) | (mantissa << 13),
    };
    f32::from_bits(sign | magnitude)
}

fn tensor(bytes: &[u8]) -> Result<Tensor, NetError> {
    let (mut sizes, mut kind, mut name, mut raw) = (Vec::new(), 0, String::new(), None);
    let mut message = Message(bytes);
    while let Some((number, field)) = message.next()? {
        match (number, field) {
            (1, field) => add_wholes(&mut sizes, field)?,
            (2, Field::Varint(value)) => kind = value,
            (8, Field::Bytes(bytes)) => name = text(bytes)?,
            (9, Field::Bytes(bytes)) => raw = Some(bytes),
            _ => {}
        }
    }
    let shape = shape(&sizes)?;
    let raw = raw.ok_or(NetError::Unsupported {
        what: format!("tensor {name}, whose values are not stored as raw data"),
    })?;
    let values = match kind {
        1 => Values::Float(
            raw.as_chunks()
                .0
                .iter()
                .map(|b| f32::from_le_bytes(*b))
                .collect(),
        ),
        7 => Values::Whole(
            raw.as_chunks()
                .0
                .iter()
                .map(|b| i64::from_le_bytes(*b))
                .collect(),
        ),
        10 => Values::Float(
            raw.as_chunks()
                .0
                .iter()
                .map(|b| half(u16::from_le_bytes(*b)))
                .collect(),
        ),
        _ => {
            return Err(NetError::Unsupported {
                what: format!("tensor {name} of data type {kind}"),
            });
        }
    };
    let held = match &values {
        Values::Float(values) => values.len(),
        Values::Whole(values) => values.len(),
    };
    if held != count(&shape)? {
        return Err(malformed("a tensor's values do not fit its sizes"));
    }
    Ok(Tensor {
        name,
        shape,
        values,
    })
}

fn attribute(bytes: &[u8]) -> Result<(String, Attribute), NetError> {
    let (mut name, mut found) = (String::new(), Attribute::default());
    let mut message = Message(bytes);
    while let Some((number, field)) = message.next()? {
        match (number, field) {
            (1, Field::Bytes(bytes)) => name = text(bytes)?,
            (2, Field::Fixed32(bytes)) => found.float = Some(f32::from_le_bytes(bytes)),
            (3, Field::Varint(value)) => found.whole = Some(value.cast_signed()),
            (4, Field::Bytes(bytes)) => found.text = Some(text(bytes)?),
            (8, field) => add_wholes(&mut found.wholes, field)?,
            _ => {}
        }
    }
    Ok((name, found))
}

fn node(bytes: &[u8]) -> Result<Node, NetError> {
    let mut node = Node::default();
    let mut message = Message(bytes);
    while let Some((number, field)) = message.next()? {
        match (number, field) {
            (1, Field::Bytes(bytes)) => node.inputs.push(text(bytes)?),
            (2, Field::Bytes(bytes)) => node.outputs.push(text(bytes)?),
            (4, Field::Bytes(bytes)) => node.kind = text(bytes)?,
            (5, Field::Bytes(bytes)) => {
                let (name, value) = attribute(bytes)?;
                node.attributes.insert(name, value);
            }
            (7, Field::Bytes(domain)) if !domain.is_empty() => {
                return Err(NetError::Unsupported {
                    what: "operation outside of the standard set".into(),
                });
            }
            _ => {}
        }
    }
    Ok(node)
}

/// The bytes of the field with this number, where a message should have it.
fn inner(bytes: &[u8], wanted: u64) -> Result<&[u8], NetError> {
    let mut message = Message(bytes);
    while let Some((number, field)) = message.next()? {
        if let (true, Field::Bytes(bytes)) = (number == wanted, field) {
            return Ok(bytes);
        }
    }
    Err(malformed("the type of an input is missing"))
}

/// Name and fixed sizes of one end of the graph.
fn end(bytes: &[u8]) -> Result<(String, Vec<usize>), NetError> {
    let name = text(inner(bytes, 1)?)?;
    let mut dimensions = Message(inner(inner(inner(bytes, 2)?, 1)?, 2)?);
    let mut sizes = Vec::new();
    while let Some((number, field)) = dimensions.next()? {
        if let (1, Field::Bytes(bytes)) = (number, field) {
            let mut dimension = Message(bytes);
            match dimension.next()? {
                Some((1, Field::Varint(value))) => sizes.push(value.cast_signed()),
                _ => {
                    return Err(NetError::Unsupported {
                        what: format!("{name}, whose size is not fixed"),
                    });
                }
            }
        }
    }
    Ok((name, shape(&sizes)?))
}

fn graph(bytes: &[u8]) -> Result<Graph, NetError> {
    let mut graph = Graph::default();
    let mut message = Message(bytes);
    while let Some((number, field)) = message.next()? {
        match (number, field) {
            (1, Field::Bytes(bytes)) => graph.nodes.push(node(bytes)?),
            (5, Field::Bytes(bytes)) => graph.tensors.push(tensor(bytes)?),
            (11, Field::Bytes(bytes)) => graph.inputs.push(end(bytes)?),
            (12, Field::Bytes(bytes)) => graph.outputs.push(text(inner(bytes, 1)?)?),
            _ => {}
        }
    }
    Ok(graph)
}

/// Reads a model's graph.
pub(super) fn read(bytes: &[u8]) -> Result<Graph, NetError> {
    let (mut found, mut version) = (None, None);
    let mut message = Message(bytes);
    while let Some((number, field)) = message.next()? {
        match (number, field) {
            (7, Field::Bytes(bytes)) => found = Some(graph(bytes)?),
            (8, Field::Bytes(bytes)) => {
                let mut set = Message(bytes);
                while let Some((number, field)) = set.next()? {
                    if let (2, Field::Varint(value)) = (number, field) {
                        version = Some(value);
                    }
                }
            }
            _ => {}
        }
    }
    if version != Some(17) {
        return Err(NetError::Unsupported {
            what: format!("operator set {version:?}; version 17 is understood"),
        });
    }
    found.ok_or(malformed("there is no graph"))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// IEC 60559 binary16: one, largest, smallest normal, smallest and largest subnormal, ends.
    #[test]
    fn half_floats_are_exact() {
        assert_eq!(half(0x3c00), 1.0);
        assert_eq!(half(0x7bff), 65504.0);
        assert_eq!(half(0x0400), 2f32.powi(-14));
        assert_eq!(half(0x0001), 2f32.powi(-24));
        assert_eq!(half(0x83ff), -1023.0 * 2f32.powi(-24));
        assert_eq!(half(0xfc00), f32::NEG_INFINITY);
        assert!(half(0x7e00).is_nan());
        assert_eq!(half(0x8000).to_bits(), (-0.0_f32).to_bits());
    }

    #[test]
    fn numbers_longer_than_the_file_are_refused() {
        assert!(Message(&[0x80]).varint().is_err());
        assert!(Message(&[0xff; 11]).varint().is_err());
        assert_eq!(Message(&[0xac, 0x02]).varint().ok(), Some(300));
        // A field of 2^62 bytes.
        let mut long = vec![0x3a];
        long.extend([0x80, 0x80, 0x80, 0x80, 0x80, 0x80, 0x80, 0x80, 0x40]);
        assert!(read(&long).is_err());
    }
}
