use std::path::PathBuf;

use ff::format::Sample;
use ff::format::context::Input;
use ff::format::sample::Type;
use ff::software::resampling;
use ff::{ChannelLayout, Packet, decoder, frame};
use ffmpeg_next as ff;

use crate::error::FootageError;
use crate::footage::Footage;
use crate::resampling::Resampler;
use crate::{container, ffi};

const ERRORS_IN_A_ROW: u32 = 300;

/// What the decoder gave.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Next {
    /// Samples, the first of which stands at this time in seconds.
    At(f64),
    /// Samples to which the file gives no time.
    Untimed,
    /// Nothing more.
    End,
}

/// The sound of one file, as decoded, one channel at the rate asked for.
pub(crate) struct SoundDecoder {
    path: PathBuf,
    input: Input,
    stream: usize,
    tick_s: f64,
    rate_hz: u32,
    decoder: decoder::Audio,
    packet: Packet,
    frame: frame::Audio,
    format: Option<(resampling::context::Definition, resampling::Context)>,
    resampler: Option<(u32, Resampler)>,
    draining: bool,
    errors_in_a_row: u32,
}

impl SoundDecoder {
    /// `None` if the file has no sound.
    pub(crate) fn open(footage: &Footage, rate_hz: u32) -> Result<Option<Self>, FootageError> {
        let path = footage.path().clone();
        let Some(index) = footage.sound_stream() else {
            return Ok(None);
        };
        let mut input = container::open(&path, footage.limits())?;
        ffi::keep_only(&mut input, index);
        let failed = |reason: ff::Error| FootageError::Decode {
            path: path.clone(),
            action: "starting the sound decoder",
            reason: reason.to_string(),
        };
        let stream = input
            .stream(index)
            .ok_or_else(|| failed(ff::Error::StreamNotFound))?;
        let time_base = stream.time_base();
        let context = ff::codec::Context::from_parameters(stream.parameters()).map_err(failed)?;
        let mut decoder = context.decoder();
        // Without it the decoder cannot move the time of a frame whose first samples are priming.
        decoder.set_packet_time_base(time_base);
        let decoder = decoder.audio().map_err(failed)?;
        Ok(Some(Self {
            stream: index,
            tick_s: f64::from(time_base.numerator()) / f64::from(time_base.denominator().max(1)),
            rate_hz,
            decoder,
            packet: Packet::empty(),
            frame: frame::Audio::empty(),
            format: None,
            resampler: None,
            draining: false,
            errors_in_a_row: 0,
            input,
            path,
        }))
    }

    /// Length of a tick of the sound stream.
    pub(crate) fn tick_s(&self) -> f64 {
        self.tick_s
    }

    /// Puts the next decoded samples into `to` and says when the first of them stands. Damaged packets are passed over: they show as a jump of the time.
    pub(crate) fn next(&mut self, to: &mut Vec<f32>) -> Result<Next, FootageError> {
        to.clear();
        loop {
            match self.decoder.receive_frame(&mut self.frame) {
                Ok(()) => {
                    self.errors_in_a_row = 0;
                    let time_s = self.frame.pts().map(|ticks| ticks as f64 * self.tick_s);
                    self.convert(to).map_err(|reason| FootageError::Decode {
                        path: self.path.clone(),
                        action: "converting the sound",
                        reason: reason.to_string(),
                    })?;
                    if !to.is_empty() {
                        return Ok(time_s.map_or(Next::Untimed, Next::At));
                    }
                }
                Err(ff::Error::Eof) => return Ok(Next::End),
                Err(ff::Error::Other {
                    errno: ff::error::EAGAIN,
                }) if !self.draining => self.feed(),
                Err(_) if self.error_is_last() => return Ok(Next::End),
                Err(_) => {}
            }
        }
    }

    fn feed(&mut self) {
        loop {
            match container::read_packet(&mut self.packet, &mut self.input) {
                Ok(()) if self.packet.stream() == self.stream && self.packet.size() > 0 => {
                    if self.decoder.send_packet(&self.packet).is_ok() || self.error_is_last() {
                        return;
                    }
                }
                Ok(()) => {}
                Err(ff::Error::InvalidData) if !self.error_is_last() => {}
                Err(_) => {
                    self.draining = true;
                    // An error here means that the decoder is at its end already; `receive_frame` will say so.
                    let _ = self.decoder.send_eof();
                    return;
                }
            }
        }
    }

    fn error_is_last(&mut self) -> bool {
        self.errors_in_a_row += 1;
        self.errors_in_a_row > ERRORS_IN_A_ROW
    }

    /// The decoded frame as the mean of its channels, at the rate asked for.
    fn convert(&mut self, to: &mut Vec<f32>) -> Result<(), ff::Error> {
        let (samples, channels) = (self.frame.samples(), usize::from(self.frame.channels()));
        if samples == 0 || channels == 0 || self.frame.rate() == 0 {
            return Ok(());
        }
        let known = self.frame.channel_layout();
        let layout = if usize::try_from(known.channels()) == Ok(channels) {
            known
        } else {
            ChannelLayout::default(i32::from(self.frame.channels()))
        };
        self.frame.set_channel_layout(layout);
        let rate = self.frame.rate();
        let definition = resampling::context::Definition {
            format: self.frame.format(),
            channel_layout: layout,
            rate,
        };
        let planar = Sample::F32(Type::Planar);
        if self
            .format
            .as_ref()
            .is_none_or(|(known, _)| *known != definition)
        {
            let context =
                resampling::Context::get(definition.format, layout, rate, planar, layout, rate)?;
            self.format = Some((definition, context));
        }
        let Some((_, context)) = &mut self.format else {
            return Ok(());
        };
        let mut converted = frame::Audio::new(planar, samples, layout);
        context.run(&self.frame, &mut converted)?;
        let count = converted.samples();
        let mut mono = vec![0.0; count];
        for channel in 0..converted.planes() {
            for (sum, &sample) in mono.iter_mut().zip(converted.plane::<f32>(channel)) {
                *sum += sample / channels as f32;
            }
        }
        if self
            .resampler
            .as_ref()
            .is_none_or(|(known, _)| *known != rate)
        {
            self.resampler = Some((rate, Resampler::new(rate, self.rate_hz)?));
        }
        match &mut self.resampler {
            Some((_, resampler)) => resampler.push(&mono, to),
            None => Ok(()),
        }
    }
}
