//! The description of a picture in the OME data model, for TIFF's ImageDescription.
//!
//! One plane a file: size, sample type, the object-space size of a pixel with its unit, time from
//! the trigger and exposure. Nothing names a person, a machine or a path.
//!
//! Source: the OME data model, schema 2016-06 (Pixels: PhysicalSizeX, PhysicalSizeXUnit; Plane:
//! DeltaT, ExposureTime) and the OME-TIFF specification; read back by tifffile in
//! `tests/reference`.

use std::fmt::Write as _;

/// What the description holds.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct OmeTags {
    /// Width and height in pixels, and channels (1 or 3).
    pub size: (usize, usize, usize),
    /// Name of the picture.
    pub name: String,
    /// What was done.
    pub description: String,
    /// Object-space size of a pixel in micrometres.
    pub um_per_px: Option<f64>,
    /// Seconds from the trigger frame.
    pub time_s: Option<f64>,
    /// Exposure in seconds.
    pub exposure_s: Option<f64>,
}

/// The XML text.
#[must_use]
pub fn ome_xml(tags: &OmeTags) -> String {
    let (width, height, channels) = tags.size;
    let mut out = String::from("<?xml version=\"1.0\" encoding=\"UTF-8\"?>");
    out.push_str("<OME xmlns=\"http://www.openmicroscopy.org/Schemas/OME/2016-06\">");
    // Writing into a String cannot fail.
    let _ = write!(out, "<Image ID=\"Image:0\" Name=\"{}\">", xml_escaped(&tags.name));
    let _ = write!(out, "<Description>{}</Description>", xml_escaped(&tags.description));
    let _ = write!(
        out,
        "<Pixels ID=\"Pixels:0\" DimensionOrder=\"XYCZT\" Type=\"uint16\" SizeX=\"{width}\" \
         SizeY=\"{height}\" SizeC=\"{channels}\" SizeZ=\"1\" SizeT=\"1\" BigEndian=\"false\" \
         Interleaved=\"true\""
    );
    if let Some(um) = positive(tags.um_per_px).map(twelve) {
        let _ = write!(
            out,
            " PhysicalSizeX=\"{um}\" PhysicalSizeXUnit=\"\u{b5}m\" PhysicalSizeY=\"{um}\" \
             PhysicalSizeYUnit=\"\u{b5}m\""
        );
    }
    let _ = write!(out, "><Channel ID=\"Channel:0:0\" SamplesPerPixel=\"{channels}\"/>");
    out.push_str("<TiffData IFD=\"0\" PlaneCount=\"1\"/>");
    out.push_str("<Plane TheZ=\"0\" TheT=\"0\" TheC=\"0\"");
    if let Some(t) = tags.time_s.filter(|t| t.is_finite()).map(twelve) {
        let _ = write!(out, " DeltaT=\"{t}\" DeltaTUnit=\"s\"");
    }
    if let Some(s) = positive(tags.exposure_s).map(twelve) {
        let _ = write!(out, " ExposureTime=\"{s}\" ExposureTimeUnit=\"s\"");
    }
    out.push_str("/></Pixels></Image></OME>");
    out
}

fn positive(x: Option<f64>) -> Option<f64> {
    x.filter(|x| x.is_finite() && *x > 0.0)
}

/// To twelve places, a picosecond of a second: no digits that only say how fractions of two end.
fn twelve(x: f64) -> f64 {
    let rounded = (x * 1e12).round() / 1e12;
    if rounded == 0.0 { x } else { rounded }
}

/// Text as it may stand in an element or an attribute of XML; control characters, most of which
/// XML 1.0 does not allow, are left out.
#[must_use]
pub fn xml_escaped(text: &str) -> String {
    let mut out = String::new();
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            c if c.is_control() => {}
            c => out.push(c),
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_escaped_and_sizes_are_there() {
        let text = ome_xml(&OmeTags {
            size: (64, 48, 1),
            name: "comb \"1\" <&>\u{1}".to_owned(),
            um_per_px: Some(1.003),
            time_s: Some(-0.0002),
            exposure_s: Some(f64::NAN),
            ..OmeTags::default()
        });
        let exposed = ome_xml(&OmeTags { exposure_s: Some(0.1 + 0.2), ..OmeTags::default() });
        assert!(exposed.contains("ExposureTime=\"0.3\""), "{exposed}");
        assert!(text.contains("Name=\"comb &quot;1&quot; &lt;&amp;&gt;\""), "{text}");
        assert!(text.contains("PhysicalSizeX=\"1.003\" PhysicalSizeXUnit=\"\u{b5}m\""));
        assert!(text.contains("DeltaT=\"-0.0002\"") && !text.contains("ExposureTime"));
        assert!(text.starts_with("<?xml") && text.ends_with("</OME>"));
    }
}
