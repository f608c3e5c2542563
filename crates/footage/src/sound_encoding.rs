use ff::{ChannelLayout, Packet, encoder, frame};
use ffmpeg_next as ff;

use crate::clip_settings::SoundSettings;
use crate::resampling::MONO;

/// The sound of a clip on its way into AAC packets.
pub(crate) struct SoundEncoder {
    encoder: encoder::audio::Encoder,
    rate_hz: u32,
    waiting: Vec<f32>,
    next_tick: i64,
}

impl SoundEncoder {
    pub(crate) fn open(settings: &SoundSettings, global_header: bool) -> Result<Self, ff::Error> {
        let codec = encoder::find(ff::codec::Id::AAC).ok_or(ff::Error::EncoderNotFound)?;
        let mut audio = ff::codec::Context::new_with_codec(codec)
            .encoder()
            .audio()?;
        let rate = i32::try_from(settings.sample_rate_hz).unwrap_or(48_000);
        audio.set_rate(rate);
        audio.set_format(MONO);
        audio.set_channel_layout(ChannelLayout::MONO);
        audio.set_channels(1);
        audio.set_bit_rate(settings.bit_rate as usize);
        audio.set_time_base(ff::Rational::new(1, rate));
        if global_header {
            audio.set_flags(ff::codec::Flags::GLOBAL_HEADER | ff::codec::Flags::BITEXACT);
        }
        let start = settings.start_s * f64::from(settings.sample_rate_hz);
        Ok(Self {
            encoder: audio.open_as(codec)?,
            rate_hz: settings.sample_rate_hz,
            waiting: Vec::new(),
            #[expect(
                clippy::cast_possible_truncation,
                reason = "settings bound the start to a day"
            )]
            next_tick: start.round() as i64,
        })
    }

    pub(crate) fn context(&self) -> &ff::codec::Context {
        self.encoder.as_ref()
    }

    pub(crate) fn time_base(&self) -> ff::Rational {
        ff::Rational::new(1, i32::try_from(self.rate_hz).unwrap_or(48_000))
    }

    /// Takes samples and hands on the packets that are ready.
    pub(crate) fn push(
        &mut self,
        samples: &[f32],
        packets: &mut dyn FnMut(&mut Packet) -> Result<(), ff::Error>,
    ) -> Result<(), ff::Error> {
        self.waiting.extend_from_slice(samples);
        let size = (self.encoder.frame_size() as usize).max(1);
        let mut taken = 0;
        while self.waiting.len() - taken >= size {
            self.send(taken..taken + size)?;
            taken += size;
            self.receive(packets)?;
        }
        self.waiting.drain(..taken);
        Ok(())
    }

    /// Codes what is left.
    pub(crate) fn finish(
        &mut self,
        packets: &mut dyn FnMut(&mut Packet) -> Result<(), ff::Error>,
    ) -> Result<(), ff::Error> {
        if !self.waiting.is_empty() {
            self.send(0..self.waiting.len())?;
            self.waiting.clear();
        }
        self.encoder.send_eof()?;
        self.receive(packets)
    }

    fn send(&mut self, range: std::ops::Range<usize>) -> Result<(), ff::Error> {
        let samples = &self.waiting[range];
        let mut frame = frame::Audio::new(MONO, samples.len(), ChannelLayout::MONO);
        frame.set_rate(self.rate_hz);
        frame.plane_mut::<f32>(0)[..samples.len()].copy_from_slice(samples);
        frame.set_pts(Some(self.next_tick));
        self.next_tick += i64::try_from(samples.len()).unwrap_or(0);
        self.encoder.send_frame(&frame)
    }

    fn receive(
        &mut self,
        packets: &mut dyn FnMut(&mut Packet) -> Result<(), ff::Error>,
    ) -> Result<(), ff::Error> {
        loop {
            let mut packet = Packet::empty();
            match self.encoder.receive_packet(&mut packet) {
                Ok(()) => packets(&mut packet)?,
                Err(
                    ff::Error::Eof
                    | ff::Error::Other {
                        errno: ff::error::EAGAIN,
                    },
                ) => return Ok(()),
                Err(reason) => return Err(reason),
            }
        }
    }
}
