// The machine's limits, as timed loops of instructions. Rates count what the name says, a second, over all threads.
#include <functional>
#include <vector>

#include "bench.h"
#include "rayloom/fft.h"
#include "rayloom/reconstruct/backproject.h"

namespace rayloom::bench {

namespace {

constexpr long rounds = 1 << 17;  // of a loop between looks at the clock

/// Runs `loop(buffer)` on every thread, each with a buffer of its own of `bytes`.
void on_threads(benchmark::State& state, int threads, std::size_t bytes, double count,
                const std::function<void(float*)>& loop) {
  std::vector<AlignedVector<float>> buffers(std::size_t(threads), AlignedVector<float>(bytes / 4, 1.0f));
  time(state, count * threads, [&] {
#pragma omp parallel for schedule(static, 1) num_threads(threads)
    for (int i = 0; i < threads; ++i)
      loop(buffers[std::size_t(i)].data());
  });
}

#if defined(__x86_64__)

// clang-format off
#define CLOBBERS                                                                                                      \
  "xmm0", "xmm1", "xmm2", "xmm3", "xmm4", "xmm5", "xmm6", "xmm7", "xmm8", "xmm9", "xmm10", "xmm11", "xmm12", "xmm13", \
      "memory"

// R: the register's letter, z or y. Ten independent chains.
#define ZERO(R, n) "vxorps %%" R "mm" n ", %%" R "mm" n ", %%" R "mm" n "\n"
#define ZERO_ALL(R) ZERO(R, "0") ZERO(R, "1") ZERO(R, "2") ZERO(R, "3") ZERO(R, "4") ZERO(R, "5") ZERO(R, "6") \
  ZERO(R, "7") ZERO(R, "8") ZERO(R, "9") ZERO(R, "12") ZERO(R, "13")
#define FMA(R, n) "vfmadd231ps %%" R "mm12, %%" R "mm13, %%" R "mm" n "\n"
#define FMA_10(R) \
  FMA(R, "0")     \
  FMA(R, "1") FMA(R, "2") FMA(R, "3") FMA(R, "4") FMA(R, "5") FMA(R, "6") FMA(R, "7") FMA(R, "8") FMA(R, "9")
#define PERMUTE(R, n) "vpermps %%" R "mm12, %%" R "mm13, %%" R "mm" n "\n"
#define PERMUTE_10(R) \
  PERMUTE(R, "0")     \
  PERMUTE(R, "1")     \
  PERMUTE(R, "2")     \
  PERMUTE(R, "3") PERMUTE(R, "4") PERMUTE(R, "5") PERMUTE(R, "6") PERMUTE(R, "7") PERMUTE(R, "8") PERMUTE(R, "9")

// One group of the cone kernel: the window's two loads, position, index, fraction, permutes, lerp, sum.
#define GROUP_AVX512(at)                                                      \
  "vaddps " at                                                                \
  "(%0)%{1to16%}, %%zmm12, %%zmm0\n vcvttps2dq %%zmm0, %%zmm1\n"              \
  "vpermps 4+" at "(%1), %%zmm1, %%zmm2\n vpermps 8+" at                      \
  "(%1), %%zmm1, %%zmm3\n"                                                    \
  "vreduceps $9, %%zmm0, %%zmm0\n vsubps %%zmm2, %%zmm3, %%zmm3\n vaddps " at \
  "(%2), %%zmm2, %%zmm2\n"                                                    \
  "vfmadd132ps %%zmm3, %%zmm2, %%zmm0\n vmovaps %%zmm0, " at "(%2)\n"
#define GROUP_AVX2(at)                                                          \
  "vbroadcastss " at                                                            \
  "(%0), %%ymm0\n vaddps %%ymm0, %%ymm12, %%ymm0\n vcvttps2dq %%ymm0, %%ymm1\n" \
  "vpermps 4+" at "(%1), %%ymm1, %%ymm2\n vpermps 8+" at                        \
  "(%1), %%ymm1, %%ymm3\n vcvtdq2ps %%ymm1, %%ymm4\n"                           \
  "vsubps %%ymm4, %%ymm0, %%ymm0\n vsubps %%ymm2, %%ymm3, %%ymm3\n vaddps " at  \
  "(%2), %%ymm2, %%ymm2\n"                                                      \
  "vfmadd132ps %%ymm3, %%ymm2, %%ymm0\n vmovaps %%ymm0, " at "(%2)\n"
// The same where steps above one pixel take a window of two registers.
#define WIDE_AVX512(at)                                                                                           \
  "vaddps " at                                                                                                    \
  "(%0)%{1to16%}, %%zmm12, %%zmm0\n vcvttps2dq %%zmm0, %%zmm1\n vreduceps $9, %%zmm0, %%zmm0\n"                   \
  "vpaddd %%zmm13, %%zmm1, %%zmm2\n vmovups 4+" at "(%1), %%zmm3\n vmovups 68+" at                                \
  "(%1), %%zmm4\n vpermi2ps %%zmm4, %%zmm3, %%zmm2\n vpermt2ps %%zmm4, %%zmm1, %%zmm3\n"                          \
  "vsubps %%zmm3, %%zmm2, %%zmm2\n vaddps " at                                                                    \
  "(%2), %%zmm3, %%zmm3\n"                                                                                        \
  "vfmadd132ps %%zmm2, %%zmm3, %%zmm0\n vmovaps %%zmm0, " at "(%2)\n"
#define PICK_AVX2(at, into)                                                                        \
  "vpermps " at "(%1), %%ymm5, %%" into "\n vpermps 20+" at "(%1), %%ymm5, %%ymm6\n"               \
  "vblendps $0xf0, %%ymm6, %%" into ", %%" into "\n"
#define WIDE_AVX2(at)                                                                                              \
  "vbroadcastss " at                                                                                               \
  "(%0), %%ymm0\n vaddps %%ymm0, %%ymm12, %%ymm0\n vcvttps2dq %%ymm0, %%ymm1\n vcvtdq2ps %%ymm1, %%ymm4\n"         \
  "vpsubd %%ymm13, %%ymm1, %%ymm5\n vsubps %%ymm4, %%ymm0, %%ymm0\n" PICK_AVX2("4+" at, "ymm2")                     \
      PICK_AVX2("8+" at, "ymm3") "vsubps %%ymm2, %%ymm3, %%ymm3\n vaddps " at                                       \
  "(%2), %%ymm2, %%ymm2\n vfmadd132ps %%ymm3, %%ymm2, %%ymm0\n vmovaps %%ymm0, " at "(%2)\n"
// One view of a group of the kernel for a single slice: position, column, fraction, permutes, multiply-add. Four views
// share the sums.
#define ROW_AVX512(at)                                                                                             \
  "vpaddd " at "(%0)%{1to16%}, %%zmm12, %%zmm1\n vpsrld $22, %%zmm1, %%zmm2\n vpermps 4+" at                        \
  "(%1), %%zmm2, %%zmm3\n vpermps 516+" at                                                                         \
  "(%1), %%zmm2, %%zmm2\n vmovdqa32 %%zmm13, %%zmm4\n vpternlogd $0xf8, %%zmm1, %%zmm13, %%zmm4\n"                  \
  "vaddps %%zmm3, %%zmm0, %%zmm0\n vfmadd231ps %%zmm4, %%zmm2, %%zmm0\n"
#define ROW_AVX2(at)                                                                                               \
  "vpbroadcastd " at "(%0), %%ymm1\n vpaddd %%ymm1, %%ymm12, %%ymm1\n vpsrld $22, %%ymm1, %%ymm2\n vpermps 4+" at    \
  "(%1), %%ymm2, %%ymm3\n vpermps 516+" at                                                                         \
  "(%1), %%ymm2, %%ymm2\n vpand %%ymm13, %%ymm1, %%ymm4\n vpor %%ymm13, %%ymm4, %%ymm4\n"                           \
  "vaddps %%ymm3, %%ymm0, %%ymm0\n vfmadd231ps %%ymm4, %%ymm2, %%ymm0\n"
#define ROW_4(R, row, at) "vmovaps " at "(%2), %%" R "mm0\n" row(at) row("64+" at) row("128+" at) row("192+" at) \
  "vmovaps %%" R "mm0, " at "(%2)\n"
// One register of the blended line.
#define BLEND(R, at)                                                                                            \
  "vmulps " at "(%0), %%" R "mm12, %%" R "mm0\n vfmadd231ps " at "(%1), %%" R "mm13, %%" R "mm0\n vmovaps %%" R \
  "mm0, " at "(%2)\n"
// Two slices' multiply-adds of one view of the stack kernel, four registers of sums.
#define STACK(R, at)                                                                             \
  "vbroadcastss " at "(%0), %%" R                                                                \
  "mm8\n"                                                                                        \
  "vfmadd231ps " at "(%1), %%" R "mm8, %%" R "mm0\n vfmadd231ps 64+" at "(%1), %%" R "mm8, %%" R \
  "mm1\n"                                                                                        \
  "vfmadd231ps 128+" at "(%1), %%" R "mm8, %%" R "mm2\n vfmadd231ps 192+" at "(%1), %%" R "mm8, %%" R "mm3\n"

#define STACK_8(R) STACK(R, "0") STACK(R, "256") STACK(R, "512") STACK(R, "768") STACK(R, "1024") STACK(R, "1280") \
  STACK(R, "1536") STACK(R, "1792")
#define SUMS(R, op) op("(%2)", R, "0") op("64(%2)", R, "1") op("128(%2)", R, "2") op("192(%2)", R, "3")
#define LOAD(at, R, n) "vmovaps " at ", %%" R "mm" n "\n"
#define STORE(at, R, n) "vmovaps %%" R "mm" n ", " at "\n"

// A loop over `text`, which reads at %0 and %1 and sums at %2, from place to place. Registers start at 0, since numbers
// too small to be normal would slow it.
#define LOOP(name, text)                                                                                        \
  void name(float* p) {                                                                                         \
    asm volatile(ZERO_ALL("y")::: CLOBBERS);                                                                    \
    for (long n = 0; n < rounds; ++n)                                                                           \
      asm volatile(text ::"r"(p), "r"(p + 336), "r"(p + 1024 + 64 * (n & 15)) : CLOBBERS);                      \
  }

LOOP(fma_avx512, FMA_10("z"))
LOOP(fma_avx2, FMA_10("y"))
LOOP(permute_avx512, PERMUTE_10("z"))
LOOP(permute_avx2, PERMUTE_10("y"))
LOOP(cone_avx512, GROUP_AVX512("0") GROUP_AVX512("64") GROUP_AVX512("128") GROUP_AVX512("192"))
LOOP(cone_avx2, GROUP_AVX2("0") GROUP_AVX2("32") GROUP_AVX2("64") GROUP_AVX2("96"))
LOOP(wide_avx512, WIDE_AVX512("0") WIDE_AVX512("64") WIDE_AVX512("128") WIDE_AVX512("192"))
LOOP(wide_avx2, WIDE_AVX2("0") WIDE_AVX2("32") WIDE_AVX2("64") WIDE_AVX2("96"))
LOOP(row_avx512, ROW_4("z", ROW_AVX512, "0") ROW_4("z", ROW_AVX512, "64"))
LOOP(row_avx2, ROW_4("y", ROW_AVX2, "0") ROW_4("y", ROW_AVX2, "32"))
LOOP(blend_avx512, BLEND("z", "0") BLEND("z", "64") BLEND("z", "128") BLEND("z", "192"))
LOOP(blend_avx2, BLEND("y", "0") BLEND("y", "32") BLEND("y", "64") BLEND("y", "96"))
LOOP(stack_avx512, SUMS("z", LOAD) STACK_8("z") STACK_8("z") SUMS("z", STORE))
LOOP(stack_avx2, SUMS("y", LOAD) STACK_8("y") STACK_8("y") SUMS("y", STORE))
// clang-format on

/// Reads a buffer once, 64 bytes an instruction (AVX-512) or 32.
void read_avx512(const float* p, std::size_t bytes) {
  for (const float* end = p + bytes / 4; p < end; p += 64)
    asm volatile(
        "vmovups (%0), %%zmm0\n vmovups 64(%0), %%zmm1\n vmovups 128(%0), %%zmm2\n vmovups 192(%0), %%zmm3\n" ::"r"(p)
        : CLOBBERS);
}
void read_avx2(const float* p, std::size_t bytes) {
  for (const float* end = p + bytes / 4; p < end; p += 32)
    asm volatile(
        "vmovups (%0), %%ymm0\n vmovups 32(%0), %%ymm1\n vmovups 64(%0), %%ymm2\n vmovups 96(%0), %%ymm3\n" ::"r"(p)
        : CLOBBERS);
}

#endif

}  // namespace

void add_limits() {
#if defined(__x86_64__)
  struct Loop {
    const char* name;
    void (*avx512)(float*);
    void (*avx2)(float*);
    double per_round_avx512, per_round_avx2;  // of what is counted
  };
  // Multiply-adds and permutes count lanes; the kernels' loops count updates: 16 or 8 a group, and for the blend what
  // a register of pixels serves.
  const Loop loops[] = {
      {"multiply_add", fma_avx512, fma_avx2, 160, 80}, {"permute", permute_avx512, permute_avx2, 160, 80},
      {"cone_group", cone_avx512, cone_avx2, 64, 32},  {"cone_wide_group", wide_avx512, wide_avx2, 64, 32},
      {"row_group", row_avx512, row_avx2, 128, 64},    {"cone_blend", blend_avx512, blend_avx2, 64, 32},
      {"stack", stack_avx512, stack_avx2, 512, 256}};
  struct Level {
    const char* name;
    std::size_t bytes, offset;
  };
  const Level levels[] = {{"l1_aligned", 16 << 10, 0},
                          {"l1_unaligned", 16 << 10, 3},
                          {"l2", 512 << 10, 0},
                          {"memory", std::size_t(256) << 20, 0}};
  for (const std::string& set : kernel_names()) {
    if (set == "portable") continue;
    const bool wide = set == "avx512";
    for (const int threads : {1, 2}) {
      const std::string tail = "/" + set + "/" + std::to_string(threads);
      for (const Loop& loop : loops)
        benchmark::RegisterBenchmark(("limit/" + std::string(loop.name) + tail).c_str(), [=](benchmark::State& state) {
          on_threads(state, threads, 1 << 16, rounds * (wide ? loop.per_round_avx512 : loop.per_round_avx2),
                     wide ? loop.avx512 : loop.avx2);
        })->UseRealTime();
      for (const Level& level : levels)
        benchmark::RegisterBenchmark(("limit/" + std::string(level.name) + tail).c_str(), [=](benchmark::State& state) {
          const int times = level.bytes > (1 << 20) ? 1 : 256;
          on_threads(state, threads, level.bytes + 64, double(level.bytes) * times, [=](float* p) {
            for (int n = 0; n < times; ++n)
              (wide ? read_avx512 : read_avx2)(p + level.offset, level.bytes);
          });
        })->UseRealTime();
    }
  }
#endif
}

}  // namespace rayloom::bench
