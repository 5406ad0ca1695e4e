//! The fonts in a PDF file: each letter that occurs gets a number of its own, a glyph of the cut-down font, and its
//! character, so that text can be searched and copied. A letter the font lacks shows as a box and still copies right.

use super::{PdfError, WEIGHTS, compressed};
use crate::figure::{LineWeight, font};
use pdf_writer::types::{CidFontType, FontFlags, SystemInfo, UnicodeCmap};
use pdf_writer::writers::Resources;
use pdf_writer::{Filter, Finish, Name, Pdf, Rect, Ref, Str};
use std::collections::HashMap;
use subsetter::GlyphRemapper;

const IDENTITY: SystemInfo<'static> = SystemInfo { registry: Str(b"Adobe"), ordering: Str(b"Identity"), supplement: 0 };

pub fn name(weight: LineWeight) -> Name<'static> {
    match weight {
        LineWeight::Regular => Name(b"F0"),
        LineWeight::Bold => Name(b"F1"),
    }
}

/// Letters met so far, of every weight.
pub struct Fonts {
    faces: [Letters; WEIGHTS.len()],
}

struct Letters {
    id: Ref,
    weight: LineWeight,
    /// Numbers by letter, from 1; 0 stays for what no letter has.
    numbers: HashMap<char, u16>,
    in_order: Vec<char>,
}

impl Fonts {
    pub fn new(next: &mut Ref) -> Self {
        Self { faces: WEIGHTS.map(|weight| Letters { id: next.bump(), weight, numbers: HashMap::new(), in_order: Vec::new() }) }
    }

    /// A text as the two-byte numbers of its letters.
    pub fn encode(&mut self, weight: LineWeight, text: &str) -> Vec<u8> {
        let letters = match weight {
            LineWeight::Regular => &mut self.faces[0],
            LineWeight::Bold => &mut self.faces[1],
        };
        text.chars().flat_map(|c| letters.number(c).to_be_bytes()).collect()
    }

    pub fn name(&self, resources: &mut Resources<'_>) {
        let mut fonts = resources.fonts();
        for letters in &self.faces {
            fonts.pair(name(letters.weight), letters.id);
        }
    }

    pub fn write(&self, file: &mut Pdf, next: &mut Ref) -> Result<(), PdfError> {
        self.faces.iter().try_for_each(|letters| letters.write(file, next))
    }
}

impl Letters {
    fn number(&mut self, c: char) -> u16 {
        if let Some(number) = self.numbers.get(&c) {
            return *number;
        }
        // More letters than a font has numbers for: the rest show as boxes.
        let Ok(number) = u16::try_from(self.in_order.len() + 1) else { return 0 };
        self.in_order.push(c);
        self.numbers.insert(c, number);
        number
    }

    fn write(&self, file: &mut Pdf, next: &mut Ref) -> Result<(), PdfError> {
        let face = font::face(self.weight).ok_or(PdfError::Font)?;
        let glyphs: Vec<u16> = self.in_order.iter().map(|c| face.glyph_index(*c).unwrap_or_default().0).collect();
        let remapper = GlyphRemapper::new_from_glyphs_sorted(&glyphs);
        let cut = subsetter::subset(font::data(self.weight), 0, &remapper).map_err(|_| PdfError::Font)?;
        let base = match self.weight {
            LineWeight::Regular => "BCKWAL+DejaVuSans",
            LineWeight::Bold => "BCKWAM+DejaVuSans-Bold",
        };
        let (cid, descriptor, data, map, unicode) = (next.bump(), next.bump(), next.bump(), next.bump(), next.bump());
        let per_mille = |units: i16| f32::from(units) * 1000.0 / f32::from(face.units_per_em());

        let mut whole = file.type0_font(self.id);
        whole.base_font(Name(base.as_bytes())).encoding_predefined(Name(b"Identity-H")).descendant_font(cid).to_unicode(unicode);
        whole.finish();

        let mut own = file.cid_font(cid);
        own.subtype(CidFontType::Type2).base_font(Name(base.as_bytes())).system_info(IDENTITY).font_descriptor(descriptor);
        own.cid_to_gid_map_stream(map).default_width(0.0);
        let advance = |glyph: &u16| face.glyph_hor_advance(ttf_parser::GlyphId(*glyph)).unwrap_or_default();
        let widths = glyphs.iter().map(|glyph| f32::from(advance(glyph)) * 1000.0 / f32::from(face.units_per_em()));
        own.widths().consecutive(1, widths);
        own.finish();

        let bounds = face.global_bounding_box();
        let mut about = file.font_descriptor(descriptor);
        about.name(Name(base.as_bytes())).flags(FontFlags::SYMBOLIC).italic_angle(0.0);
        about.bbox(Rect::new(per_mille(bounds.x_min), per_mille(bounds.y_min), per_mille(bounds.x_max), per_mille(bounds.y_max)));
        about.ascent(per_mille(face.ascender())).descent(per_mille(face.descender()));
        about.cap_height(per_mille(face.capital_height().unwrap_or_default()));
        // Width of an upright stem; no viewer uses it while the font is embedded.
        about.stem_v(if self.weight == LineWeight::Bold { 140.0 } else { 80.0 });
        about.font_file2(data);
        about.finish();

        let packed = compressed(&cut);
        file.stream(data, &packed).filter(Filter::FlateDecode).pair(Name(b"Length1"), cut.len() as i32);

        // Two bytes for each number, from 0 on.
        let places = std::iter::once(0).chain(glyphs.iter().map(|glyph| remapper.get(*glyph).unwrap_or_default()));
        let packed = compressed(&places.flat_map(u16::to_be_bytes).collect::<Vec<u8>>());
        file.stream(map, &packed).filter(Filter::FlateDecode);

        let mut characters = UnicodeCmap::new(Name(b"Backwall"), IDENTITY);
        for (index, c) in self.in_order.iter().enumerate() {
            characters.pair(index as u16 + 1, *c);
        }
        let packed = compressed(characters.finish().as_slice());
        file.cmap(unicode, &packed).filter(Filter::FlateDecode);
        Ok(())
    }
}
