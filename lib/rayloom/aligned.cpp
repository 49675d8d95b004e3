#include "rayloom/aligned.h"

#include <new>

#if defined(__linux__)
#include <sys/mman.h>
#endif

namespace rayloom {

namespace {

constexpr std::size_t vector_boundary = 64, large_page = std::size_t(2) << 20;

std::align_val_t boundary(std::size_t bytes) {
  return std::align_val_t(bytes >= 4 * large_page ? large_page : vector_boundary);
}

}  // namespace

void* allocate_aligned(std::size_t bytes) {
  void* memory = ::operator new(bytes, boundary(bytes));
#if defined(__linux__)
  // Only advice: whether it is followed changes the speed alone.
  if (bytes >= 4 * large_page) madvise(memory, bytes / large_page * large_page, MADV_HUGEPAGE);
#endif
  return memory;
}

void free_aligned(void* memory, std::size_t bytes) {
  ::operator delete(memory, boundary(bytes));
}

}  // namespace rayloom
