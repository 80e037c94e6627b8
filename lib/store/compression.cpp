#include "store/compression.h"

#include <zstd.h>

#include <memory>

namespace probekeeper::store {

namespace {

// Columns seldom repeat, and a short repetition costs more than the values do by their statistics.
constexpr int effort = 3, repetition_least = 7;
constexpr std::size_t plain_most = std::size_t{1} << 24;  // beyond that a stored size is damage, not a block

template <auto Free>
struct FreedZstd {
    void operator()(auto* p) const noexcept { Free(p); }
};

void must(std::size_t code) {
    if (ZSTD_isError(code) != 0U) {
        refuse(Fault::io, "compressing readings failed: is the machine out of memory?");
    }
}

// Made once a thread: it holds a megabyte of tables.
ZSTD_CCtx* compressing() {
    thread_local std::unique_ptr<ZSTD_CCtx, FreedZstd<&ZSTD_freeCCtx>> const context{ZSTD_createCCtx()};
    must(ZSTD_CCtx_reset(context.get(), ZSTD_reset_session_and_parameters));
    must(ZSTD_CCtx_setParameter(context.get(), ZSTD_c_compressionLevel, effort));
    must(ZSTD_CCtx_setParameter(context.get(), ZSTD_c_minMatch, repetition_least));
    return context.get();
}

}  // namespace

Bytes compressed(std::span<std::byte const> head, std::span<std::byte const> tail) {
    auto* const context = compressing();
    Bytes out(ZSTD_compressBound(head.size() + tail.size()) + 64);  // and a block more than is reckoned with
    ZSTD_outBuffer to{out.data(), out.size(), 0};
    must(ZSTD_CCtx_setPledgedSrcSize(context, head.size() + tail.size()));
    ZSTD_inBuffer in_head{head.data(), head.size(), 0};
    must(ZSTD_compressStream2(context, &to, &in_head, ZSTD_e_flush));
    ZSTD_inBuffer in_tail{tail.data(), tail.size(), 0};
    auto const left = ZSTD_compressStream2(context, &to, &in_tail, ZSTD_e_end);
    must(left);
    if (left != 0) {
        refuse(Fault::io, "compressing readings failed: they take more room than can be");
    }
    out.resize(to.pos);
    return out;
}

Bytes compressed(std::span<std::byte const> plain) {
    Bytes out(ZSTD_compressBound(plain.size()));
    auto const size = ZSTD_compress2(compressing(), out.data(), out.size(), plain.data(), plain.size());
    must(size);
    out.resize(size);
    return out;
}

Bytes decompressed(std::span<std::byte const> data) {
    thread_local std::unique_ptr<ZSTD_DCtx, FreedZstd<&ZSTD_freeDCtx>> const context{ZSTD_createDCtx()};
    auto const size = ZSTD_getFrameContentSize(data.data(), data.size());
    if (size > plain_most) {  // its two error values are the largest numbers there are
        refuse(Fault::corrupt, "a block of readings is damaged: put a backup in the store's place");
    }
    Bytes plain(size);
    if (ZSTD_decompressDCtx(context.get(), plain.data(), plain.size(), data.data(), data.size()) != size) {
        refuse(Fault::corrupt, "a block of readings is damaged: put a backup in the store's place");
    }
    return plain;
}

}  // namespace probekeeper::store
