//! What a camera noted of the exposure, made safe to show: numbers that mean something, words
//! without control characters, of bounded length.

use exif::{In, Reader, Tag, Value};

use super::{Exif, Orientation, Place, Private};

/// Longest note kept, in characters. Names of cameras and lenses are shorter; a damaged or
/// hostile file may offer megabytes.
const LONGEST: usize = 96;

/// A number that is finite and above zero, else `None`.
pub(super) fn positive(value: f32) -> Option<f32> {
    (value.is_finite() && value > 0.0).then_some(value)
}

/// Printable words of a text, one space between them; `None` when none are left.
pub(super) fn words(text: &str) -> Option<String> {
    let joined = one_line(text, LONGEST);
    (!joined.is_empty()).then_some(joined)
}

/// A decoder's own words as part of our sentence: they may hold line breaks, and what stands in the
/// file.
pub(super) fn reason(text: impl ToString) -> String {
    one_line(&text.to_string(), 3 * LONGEST)
}

/// At most `longest` characters.
fn one_line(text: &str, longest: usize) -> String {
    let printable = |c: char| if c.is_control() { ' ' } else { c };
    let clean: String = text.chars().take(4 * longest).map(printable).collect();
    let joined = clean.split_whitespace().collect::<Vec<_>>().join(" ");
    joined.chars().take(longest).collect()
}

/// Maker and model, the maker once where the model begins with it.
pub(super) fn body(make: &str, model: &str) -> Option<String> {
    let (make, model) = (words(make), words(model));
    match (make, model) {
        (Some(make), Some(model)) => {
            let first = make.split(' ').next().unwrap_or_default().to_lowercase();
            let repeated = model.to_lowercase().starts_with(&first);
            Some(if repeated {
                model
            } else {
                format!("{make} {model}")
            })
        }
        (one, other) => one.or(other),
    }
}

/// A moment as Exif writes it (`YYYY:MM:DD HH:MM:SS`), from that or from ISO 8601's way.
pub(super) fn moment(text: &str) -> Option<String> {
    let digits: Vec<char> = text.chars().take(19).collect();
    let shape = "0000?00?00?00:00:00";
    let fits = |(c, s): (&char, char)| match s {
        '0' => c.is_ascii_digit(),
        '?' => ":-T ".contains(*c),
        _ => *c == s,
    };
    if digits.len() < shape.len() || !digits.iter().zip(shape.chars()).all(fits) {
        return None;
    }
    let part = |from: usize, to: usize| digits[from..to].iter().collect::<String>();
    Some(format!(
        "{}:{}:{} {}",
        part(0, 4),
        part(5, 7),
        part(8, 10),
        part(11, 19)
    ))
}

/// Reads Exif from a TIFF structure: the block of a JPEG or PNG, or a whole TIFF file. What
/// cannot be read counts as not noted.
pub(super) fn read(block: Vec<u8>) -> (Exif, Orientation) {
    let mut reader = Reader::new();
    reader.continue_on_error(true);
    let read = reader
        .read_raw(block)
        .or_else(|error| error.distill_partial_result(|_| {}));
    let Ok(fields) = read else {
        return (Exif::default(), Orientation::UPRIGHT);
    };
    let value = |tag: Tag| fields.get_field(tag, In::PRIMARY).map(|field| &field.value);
    let number = |tag: Tag| match value(tag)? {
        Value::Rational(values) => positive(values.first()?.to_f32()),
        other => positive(other.get_uint(0)? as f32),
    };
    let text = |tag: Tag| match value(tag)? {
        Value::Ascii(lines) => Some(String::from_utf8_lossy(lines.first()?).into_owned()),
        _ => None,
    };
    let whole = |tag: Tag| value(tag).and_then(|value| value.get_uint(0));
    let noted = Exif {
        exposure: number(Tag::ExposureTime),
        aperture: number(Tag::FNumber),
        iso: whole(Tag::PhotographicSensitivity).filter(|iso| *iso > 0),
        focal_length: number(Tag::FocalLength),
        taken: text(Tag::DateTimeOriginal).and_then(|text| moment(&text)),
        body: body(
            &text(Tag::Make).unwrap_or_default(),
            &text(Tag::Model).unwrap_or_default(),
        ),
        lens: text(Tag::LensModel).and_then(|text| words(&text)),
    };
    (
        noted,
        whole(Tag::Orientation).map_or(Orientation::UPRIGHT, Orientation::from_exif),
    )
}

/// Place and serial numbers of a file: of a TIFF (which most raws are) or of a JPEG, PNG or other
/// file with a block of Exif. What cannot be read counts as not noted.
pub(super) fn private(bytes: &[u8]) -> Private {
    let mut reader = Reader::new();
    reader.continue_on_error(true);
    let read = reader
        .read_from_container(&mut std::io::Cursor::new(bytes))
        .or_else(|error| error.distill_partial_result(|_| {}));
    let Ok(fields) = read else {
        return Private::default();
    };
    let value = |tag: Tag| fields.get_field(tag, In::PRIMARY).map(|field| &field.value);
    let text = |tag: Tag| match value(tag)? {
        Value::Ascii(lines) => words(&String::from_utf8_lossy(lines.first()?)),
        _ => None,
    };
    let angle = |tag: Tag, side: Tag, negative: &str, most: f64| match value(tag)? {
        Value::Rational(parts) => {
            let [degrees, minutes, seconds] = [0, 1, 2].map(|i| parts.get(i).map(|v| v.to_f64()));
            let minutes = minutes.unwrap_or(0.0) + seconds.unwrap_or(0.0) / 60.0;
            let angle = degrees? + minutes / 60.0;
            let sign = if text(side)? == negative { -1.0 } else { 1.0 };
            (0.0..=most).contains(&angle).then_some(sign * angle)
        }
        _ => None,
    };
    let latitude = angle(Tag::GPSLatitude, Tag::GPSLatitudeRef, "S", 90.0);
    let longitude = angle(Tag::GPSLongitude, Tag::GPSLongitudeRef, "W", 180.0);
    let altitude = match value(Tag::GPSAltitude) {
        Some(Value::Rational(parts)) => parts.first().map(|v| v.to_f64()),
        _ => None,
    };
    let below = value(Tag::GPSAltitudeRef).and_then(|value| value.get_uint(0)) == Some(1);
    let altitude = altitude
        .filter(|metres| (0.0..1e5).contains(metres))
        .map(|metres| if below { -metres } else { metres });
    Private {
        place: latitude.zip(longitude).map(|(latitude, longitude)| Place {
            latitude,
            longitude,
            altitude,
        }),
        body_number: text(Tag::BodySerialNumber).or_else(|| text(CAMERA_NUMBER)),
        lens_number: text(Tag::LensSerialNumber),
    }
}

/// DNG's own tag of the camera's serial number (DNG specification 1.7, CameraSerialNumber).
const CAMERA_NUMBER: Tag = Tag(exif::Context::Tiff, 0xc62f);

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_maker_is_said_once() {
        assert_eq!(
            body("Canon", "Canon EOS D30").as_deref(),
            Some("Canon EOS D30")
        );
        assert_eq!(
            body("NIKON CORPORATION", "NIKON D1").as_deref(),
            Some("NIKON D1")
        );
        assert_eq!(body("SONY", "ZV-E10").as_deref(), Some("SONY ZV-E10"));
        assert_eq!(body("", " \0"), None);
    }

    #[test]
    fn hostile_words_are_cleaned_and_cut() {
        assert_eq!(words("a\x1b[31m\n b").as_deref(), Some("a [31m b"));
        assert_eq!(
            words(&"long ".repeat(100_000)).unwrap().chars().count(),
            LONGEST
        );
    }

    #[test]
    fn a_decoders_reason_is_one_line() {
        assert_eq!(
            reason("deflate: unknown method 11\n\n"),
            "deflate: unknown method 11"
        );
    }

    #[test]
    fn a_moment_is_written_one_way() {
        let exif = Some("2018:01:01 13:03:32".to_owned());
        assert_eq!(moment("2018-01-01T13:03:32"), exif);
        assert_eq!(moment("2018-01-01T13:03:32+02:00"), exif);
        assert_eq!(moment("2018:01:01 13:03:32"), exif);
        assert_eq!(moment("yesterday"), None);
        assert_eq!(moment(""), None);
    }

    #[test]
    fn rubbish_is_not_noted() {
        assert_eq!(
            read(b"II\x2a\0 rubbish".to_vec()),
            (Exif::default(), Orientation::UPRIGHT)
        );
    }
}
