//! What the sequence parameter sets of H.264 and HEVC say that a container need not:
//! size, bits, chroma, interlacing, range and transfer (ITU-T H.264, 7.3.2.1.1 and E.1.1; H.265, 7.3.2.2 and E.2.1).

use super::MOST_PIXELS;

/// What matters of a sequence parameter set.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Sequence {
    /// Columns after cropping.
    pub(super) width: usize,
    /// Rows after cropping.
    pub(super) height: usize,
    /// Bits of a luma sample.
    pub(super) bits: u16,
    /// 0 grey, 1 4:2:0, 2 4:2:2, 3 4:4:4.
    pub(super) chroma: u32,
    /// Fields may be coded (H.264 only).
    pub(super) interlaced: bool,
    /// Full range of levels, where it is said.
    pub(super) full_range: Option<bool>,
    /// Transfer characteristics of ITU-T H.273, where they are said.
    pub(super) transfer: Option<u8>,
}

/// Reads an H.264 NAL unit of type 7, its heading byte included. `None` for a damaged one.
pub(super) fn h264(nal: &[u8]) -> Option<Sequence> {
    let payload = without_emulation(nal.get(1..)?);
    let mut r = Bits::new(&payload);
    let profile = r.bits(8)?;
    r.bits(16)?;
    r.ue()?;
    let (mut chroma, mut bits) = (1, 8);
    if matches!(
        profile,
        100 | 110 | 122 | 244 | 44 | 83 | 86 | 118 | 128 | 138 | 139 | 134 | 135
    ) {
        chroma = r.ue()?;
        if chroma == 3 {
            r.bits(1)?;
        }
        bits = 8 + r.ue()?;
        r.ue()?;
        r.bits(1)?;
        if r.flag()? {
            for i in 0..if chroma == 3 { 12 } else { 8 } {
                if r.flag()? {
                    skip_scaling_list(&mut r, if i < 6 { 16 } else { 64 })?;
                }
            }
        }
    }
    r.ue()?;
    match r.ue()? {
        0 => {
            r.ue()?;
        }
        1 => {
            r.bits(1)?;
            r.ue()?;
            r.ue()?;
            let cycle = r.ue()?;
            if cycle > 255 {
                return None;
            }
            for _ in 0..cycle {
                r.ue()?;
            }
        }
        _ => {}
    }
    r.ue()?;
    r.bits(1)?;
    let columns = u64::from(r.ue()?) + 1;
    let map_rows = u64::from(r.ue()?) + 1;
    let frames_only = r.flag()?;
    if !frames_only {
        r.bits(1)?;
    }
    r.bits(1)?;
    let rows = map_rows * if frames_only { 1 } else { 2 };
    let mut crop = [0_u64; 4];
    if r.flag()? {
        for c in &mut crop {
            *c = u64::from(r.ue()?);
        }
    }
    let unit_x = if matches!(chroma, 1 | 2) { 2 } else { 1 };
    let unit_y = if chroma == 1 { 2 } else { 1 } * if frames_only { 1 } else { 2 };
    let (width, height) = size(columns * 16, rows * 16, crop, unit_x, unit_y)?;
    let (full_range, transfer) = if r.flag()? {
        signal_type(&mut r).unwrap_or((None, None))
    } else {
        (None, None)
    };
    Some(Sequence {
        width,
        height,
        bits: u16::try_from(bits).ok()?,
        chroma,
        interlaced: !frames_only,
        full_range,
        transfer,
    })
}

/// Reads an HEVC NAL unit of type 33, its two heading bytes included. `None` for a damaged one.
pub(super) fn hevc(nal: &[u8]) -> Option<Sequence> {
    let payload = without_emulation(nal.get(2..)?);
    let mut r = Bits::new(&payload);
    r.bits(4)?;
    let sub_layers = r.bits(3)?;
    r.bits(1)?;
    // profile_tier_level: 88 bits of profile and 8 of level, then those of the sub-layers.
    r.skip(96)?;
    let mut present = Vec::new();
    for _ in 0..sub_layers {
        present.push((r.flag()?, r.flag()?));
    }
    if sub_layers > 0 {
        r.skip(2 * (8 - sub_layers as usize))?;
    }
    for (profile, level) in present {
        r.skip(if profile { 88 } else { 0 } + if level { 8 } else { 0 })?;
    }
    r.ue()?;
    let chroma = r.ue()?;
    if chroma == 3 {
        r.bits(1)?;
    }
    let (columns, rows) = (u64::from(r.ue()?), u64::from(r.ue()?));
    let mut crop = [0_u64; 4];
    if r.flag()? {
        for c in &mut crop {
            *c = u64::from(r.ue()?);
        }
    }
    let unit_x = if matches!(chroma, 1 | 2) { 2 } else { 1 };
    let unit_y = if chroma == 1 { 2 } else { 1 };
    let (width, height) = size(columns, rows, crop, unit_x, unit_y)?;
    let bits = u16::try_from(8 + u64::from(r.ue()?)).ok()?;
    let (full_range, transfer) = hevc_signal_type(&mut r, sub_layers).unwrap_or((None, None));
    Some(Sequence {
        width,
        height,
        bits,
        chroma,
        interlaced: false,
        full_range,
        transfer,
    })
}

type SignalType = (Option<bool>, Option<u8>);

/// From the luma bit depth to the video signal type.
fn hevc_signal_type(r: &mut Bits<'_>, sub_layers: u32) -> Option<SignalType> {
    r.ue()?;
    let poc_bits = r.ue()?.checked_add(4)?;
    let each = r.flag()?;
    for _ in 0..if each { sub_layers + 1 } else { 1 } {
        for _ in 0..3 {
            r.ue()?;
        }
    }
    for _ in 0..6 {
        r.ue()?;
    }
    if r.flag()? && r.flag()? {
        for size in 0..4_u32 {
            let mut matrix = 0;
            while matrix < 6 {
                if r.flag()? {
                    if size > 1 {
                        r.ue()?;
                    }
                    for _ in 0..64.min(1 << (4 + 2 * size)) {
                        r.ue()?;
                    }
                } else {
                    r.ue()?;
                }
                matrix += if size == 3 { 3 } else { 1 };
            }
        }
    }
    r.bits(2)?;
    if r.flag()? {
        r.bits(8)?;
        r.ue()?;
        r.ue()?;
        r.bits(1)?;
    }
    let sets = r.ue()?;
    if sets > 64 {
        return None;
    }
    let mut pictures_before = 0_u32;
    for i in 0..sets {
        if i > 0 && r.flag()? {
            r.bits(1)?;
            r.ue()?;
            let mut count = 0;
            for _ in 0..=pictures_before {
                let used = r.flag()?;
                if used || r.flag()? {
                    count += 1;
                }
            }
            pictures_before = count;
        } else {
            let (negative, positive) = (r.ue()?, r.ue()?);
            if negative > 16 || positive > 16 {
                return None;
            }
            for _ in 0..negative + positive {
                r.ue()?;
                r.bits(1)?;
            }
            pictures_before = negative + positive;
        }
    }
    if r.flag()? {
        let count = r.ue()?;
        if count > 32 {
            return None;
        }
        for _ in 0..count {
            r.skip(poc_bits as usize + 1)?;
        }
    }
    r.bits(2)?;
    if r.flag()? {
        signal_type(r)
    } else {
        Some((None, None))
    }
}

/// The start of the video usability information, which both standards share.
fn signal_type(r: &mut Bits<'_>) -> Option<SignalType> {
    if r.flag()? && r.bits(8)? == 255 {
        r.bits(32)?;
    }
    if r.flag()? {
        r.bits(1)?;
    }
    if !r.flag()? {
        return Some((None, None));
    }
    r.bits(3)?;
    let full = r.flag()?;
    let transfer = if r.flag()? {
        r.bits(8)?;
        let transfer = r.bits(8)?;
        r.bits(8)?;
        u8::try_from(transfer).ok()
    } else {
        None
    };
    Some((Some(full), transfer))
}

fn size(
    columns: u64,
    rows: u64,
    crop: [u64; 4],
    unit_x: u64,
    unit_y: u64,
) -> Option<(usize, usize)> {
    let [left, right, top, bottom] = crop;
    let width = columns.checked_sub(unit_x * (left + right))?;
    let height = rows.checked_sub(unit_y * (top + bottom))?;
    let most = MOST_PIXELS as u64;
    let fits =
        width > 0 && height > 0 && columns <= 1 << 20 && rows <= 1 << 20 && columns * rows <= most;
    fits.then_some((usize::try_from(width).ok()?, usize::try_from(height).ok()?))
}

fn skip_scaling_list(r: &mut Bits<'_>, count: usize) -> Option<()> {
    let (mut last, mut next) = (8_i64, 8_i64);
    for _ in 0..count {
        if next != 0 {
            next = (last + r.se()?).rem_euclid(256);
        }
        if next != 0 {
            last = next;
        }
    }
    Some(())
}

/// Takes the emulation prevention bytes out: 00 00 03 stands for 00 00.
fn without_emulation(data: &[u8]) -> Vec<u8> {
    let mut out = Vec::with_capacity(data.len());
    let mut zeros = 0;
    for &byte in data {
        if zeros >= 2 && byte == 3 {
            zeros = 0;
            continue;
        }
        zeros = if byte == 0 { zeros + 1 } else { 0 };
        out.push(byte);
    }
    out
}

/// Bits from the most significant on.
struct Bits<'a> {
    data: &'a [u8],
    at: usize,
}

impl<'a> Bits<'a> {
    fn new(data: &'a [u8]) -> Self {
        Self { data, at: 0 }
    }

    fn flag(&mut self) -> Option<bool> {
        let byte = self.data.get(self.at / 8)?;
        let bit = byte >> (7 - self.at % 8) & 1;
        self.at += 1;
        Some(bit == 1)
    }

    fn bits(&mut self, count: u32) -> Option<u32> {
        let mut value = 0_u32;
        for _ in 0..count {
            value = value << 1 | u32::from(self.flag()?);
        }
        Some(value)
    }

    fn skip(&mut self, count: usize) -> Option<()> {
        self.at = self.at.checked_add(count)?;
        (self.at <= self.data.len() * 8).then_some(())
    }

    /// Unsigned Exp-Golomb code (H.264, 9.1).
    fn ue(&mut self) -> Option<u32> {
        let mut zeros = 0;
        while !self.flag()? {
            zeros += 1;
            if zeros > 31 {
                return None;
            }
        }
        Some((1_u32 << zeros) - 1 + self.bits(zeros)?)
    }

    fn se(&mut self) -> Option<i64> {
        let code = i64::from(self.ue()?);
        Some(if code % 2 == 1 {
            (code + 1) / 2
        } else {
            -(code / 2)
        })
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Codes from table 9-2 of ITU-T H.264: 1 is 0, 010 is 1, 011 is 2, 00100 is 3.
    #[test]
    fn exp_golomb() {
        let mut r = Bits::new(&[0b1010_0110, 0b0100_0000]);
        assert_eq!(
            [r.ue(), r.ue(), r.ue(), r.ue()],
            [Some(0), Some(1), Some(2), Some(3)]
        );
    }

    #[test]
    fn emulation_bytes_go() {
        assert_eq!(
            without_emulation(&[0, 0, 3, 1, 0, 0, 3, 0, 0, 3]),
            [0, 0, 1, 0, 0, 0, 0]
        );
    }

    proptest! {
        #[test]
        fn any_bytes(data in proptest::collection::vec(any::<u8>(), 0..80)) {
            for s in [h264(&data), hevc(&data)].into_iter().flatten() {
                prop_assert!(s.width * s.height <= MOST_PIXELS);
            }
        }
    }
}
