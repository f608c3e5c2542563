use ff::format::Sample;
use ff::format::sample::Type;
use ff::software::resampling;
use ff::{ChannelLayout, frame};
use ffmpeg_next as ff;

/// FFmpeg's samples of one channel.
pub(crate) const MONO: Sample = Sample::F32(Type::Planar);

/// Changes the rate of one channel. The first sample out stands at the time of the first sample in.
pub(crate) struct Resampler {
    context: Option<resampling::Context>,
    from_hz: u32,
    to_hz: u32,
    taken: u64,
    given: u64,
}

impl Resampler {
    pub(crate) fn new(from_hz: u32, to_hz: u32) -> Result<Self, ff::Error> {
        let context = if from_hz == to_hz {
            None
        } else {
            let mono = ChannelLayout::MONO;
            Some(resampling::Context::get(
                MONO, mono, from_hz, MONO, mono, to_hz,
            )?)
        };
        Ok(Self {
            context,
            from_hz,
            to_hz,
            taken: 0,
            given: 0,
        })
    }

    /// Takes samples and appends those that are ready.
    pub(crate) fn push(&mut self, samples: &[f32], to: &mut Vec<f32>) -> Result<(), ff::Error> {
        let Some(context) = &mut self.context else {
            to.extend_from_slice(samples);
            return Ok(());
        };
        if samples.is_empty() {
            return Ok(());
        }
        self.taken += samples.len() as u64;
        let mut input = frame::Audio::new(MONO, samples.len(), ChannelLayout::MONO);
        input.set_rate(self.from_hz);
        input.plane_mut::<f32>(0)[..samples.len()].copy_from_slice(samples);
        // Room for all: the filter keeps less than 256 samples back.
        let room =
            (samples.len() + 1024) * self.to_hz as usize / self.from_hz.max(1) as usize + 1024;
        let mut output = frame::Audio::new(MONO, room, ChannelLayout::MONO);
        context.run(&input, &mut output)?;
        self.given += output.samples() as u64;
        to.extend_from_slice(&output.plane::<f32>(0)[..output.samples()]);
        Ok(())
    }

    /// Appends what the filter still keeps; the whole then has as many samples as the input's length asks for.
    pub(crate) fn finish(&mut self, to: &mut Vec<f32>) -> Result<(), ff::Error> {
        let Some(context) = &mut self.context else {
            return Ok(());
        };
        let due = (u128::from(self.taken) * u128::from(self.to_hz))
            .div_ceil(u128::from(self.from_hz.max(1)));
        let mut missing = usize::try_from(due.saturating_sub(u128::from(self.given))).unwrap_or(0);
        while missing > 0 {
            let mut output = frame::Audio::new(MONO, missing.min(65_536), ChannelLayout::MONO);
            context.flush(&mut output)?;
            let ready = output.samples().min(missing);
            if ready == 0 {
                break;
            }
            to.extend_from_slice(&output.plane::<f32>(0)[..ready]);
            missing -= ready;
        }
        self.context = None;
        Ok(())
    }
}
