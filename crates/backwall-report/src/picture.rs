//! Photos in a document. A JPEG stays the bytes it is, in PDF and in HTML; a PNG is decoded for PDF, which knows no PNG. What a picture shows
//! is looked at by nobody here.

use super::template;

/// A picture as its file has it.
#[derive(Debug, Clone, PartialEq)]
pub struct Picture {
    pub width: u32,
    pub height: u32,
    pub file: PictureFile,
    pub caption: String,
}

#[derive(Debug, Clone, PartialEq)]
pub enum PictureFile {
    Jpeg {
        bytes: Vec<u8>,
        /// 1 for grey, 3 for colours.
        components: u8,
    },
    Png {
        bytes: Vec<u8>,
        rgb: Vec<u8>,
    },
}

impl PictureFile {
    pub const fn media_type(&self) -> &'static str {
        match self {
            Self::Jpeg { .. } => "image/jpeg",
            Self::Png { .. } => "image/png",
        }
    }

    pub fn bytes(&self) -> &[u8] {
        match self {
            Self::Jpeg { bytes, .. } | Self::Png { bytes, .. } => bytes,
        }
    }
}

/// Larger files are not set into a document; they lie beside the job.
pub const LARGEST: u64 = 8_000_000;
/// More than this of pictures makes a document that no one can send.
pub const MOST: u64 = 40_000_000;

/// A picture that can be set into a document, or why the file is none.
pub fn read(bytes: Vec<u8>, caption: String) -> Result<Picture, String> {
    if bytes.len() as u64 > LARGEST {
        return Err(format!("larger than {}", super::words::bytes(LARGEST)));
    }
    if let Some((width, height, components)) = jpeg_frame(&bytes) {
        return match components {
            1 | 3 => Ok(Picture { width, height, file: PictureFile::Jpeg { bytes, components }, caption }),
            _ => Err("a JPEG in CMYK colours; save it in RGB".to_owned()),
        };
    }
    match template::logo(&bytes) {
        Ok(png) => Ok(Picture { width: png.width, height: png.height, file: PictureFile::Png { bytes, rgb: png.rgb }, caption }),
        Err(why) if bytes.starts_with(b"\x89PNG") => Err(why),
        Err(_) => Err("neither JPEG nor PNG".to_owned()),
    }
}

/// Width, height and components of a JPEG's frame: ITU-T T.81, B.1.1.3 (markers) and B.2.2 (frame header).
fn jpeg_frame(bytes: &[u8]) -> Option<(u32, u32, u8)> {
    let number = |at: usize| Some(u32::from(u16::from_be_bytes(bytes.get(at..at + 2)?.try_into().ok()?)));
    if !bytes.starts_with(&[0xFF, 0xD8]) {
        return None;
    }
    let mut at = 2;
    loop {
        // Any number of 0xFF may fill the room before a marker.
        while bytes.get(at) == Some(&0xFF) {
            at += 1;
        }
        let marker = *bytes.get(at)?;
        at += 1;
        match marker {
            // Baseline, extended, progressive: the frames that PDF readers know.
            0xC0..=0xC2 => {
                let (height, width, components) = (number(at + 3)?, number(at + 5)?, *bytes.get(at + 7)?);
                return (width > 0 && height > 0).then_some((width, height, components));
            }
            0x01 | 0xD0..=0xD7 => {}
            0xD9 | 0xDA => return None,
            _ => at += number(at)? as usize,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The head of a JPEG by ITU-T T.81: start of image, an application segment, a frame of 640 by 480 with `components`.
    fn head(frame: u8, components: u8) -> Vec<u8> {
        let mut bytes = vec![0xFF, 0xD8, 0xFF, 0xE0, 0, 4, 1, 2, 0xFF, 0xFF, frame, 0, 17, 8];
        bytes.extend(480u16.to_be_bytes());
        bytes.extend(640u16.to_be_bytes());
        bytes.extend([components, 1, 0x11, 0]);
        bytes
    }

    #[test]
    fn a_jpeg_is_known_by_its_frame_and_stays_as_it_is() {
        for (frame, components) in [(0xC0, 3), (0xC2, 1)] {
            let picture = read(head(frame, components), String::new()).unwrap();
            assert_eq!((picture.width, picture.height), (640, 480));
            assert_eq!(picture.file, PictureFile::Jpeg { bytes: head(frame, components), components });
        }
        assert!(read(head(0xC0, 4), String::new()).unwrap_err().contains("CMYK"));
        for cut in 0..16 {
            assert!(read(head(0xC0, 3)[..cut].to_vec(), String::new()).is_err(), "{cut}");
        }
    }

    #[test]
    fn a_png_is_decoded_and_anything_else_is_refused_in_words() {
        let mut sheet = tiny_skia::Pixmap::new(3, 2).unwrap();
        sheet.fill(tiny_skia::Color::from_rgba8(10, 20, 30, 255));
        let picture = read(sheet.encode_png().unwrap(), String::new()).unwrap();
        let PictureFile::Png { rgb, .. } = &picture.file else { panic!() };
        assert_eq!((picture.width, picture.height, rgb.as_slice()), (3, 2, [10, 20, 30].repeat(6).as_slice()));
        assert_eq!(read(b"%PDF-1.7".to_vec(), String::new()).unwrap_err(), "neither JPEG nor PNG");
        assert!(read(vec![0xFF; LARGEST as usize + 1], String::new()).unwrap_err().starts_with("larger than"));
    }
}
