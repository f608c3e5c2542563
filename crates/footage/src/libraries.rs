use ffmpeg_next as ff;

/// Name and version of FFmpeg as its builder calls it, and of those of its libraries that decode, encode and shrink here.
pub fn libraries() -> Vec<(&'static str, String)> {
    let words = |version: u32| {
        format!(
            "{}.{}.{}",
            version >> 16,
            (version >> 8) & 0xff,
            version & 0xff
        )
    };
    vec![
        ("FFmpeg", crate::ffi::release()),
        ("libavcodec", words(ff::codec::version())),
        ("libavformat", words(ff::format::version())),
        ("libavutil", words(ff::util::version())),
        ("libswscale", words(ff::software::scaling::version())),
    ]
}
