/// @file
/// Memory as vector code wants it.
#pragma once
#include <cstddef>
#include <new>
#include <utility>
#include <vector>

namespace rayloom {

/// Memory on 64-byte boundaries. Blocks of 8 MiB and more lie on 2 MiB boundaries, and the system is asked for large
/// pages: kernels walk through slabs and views in long strides, and looking up small pages costs them more than the
/// data.
/// @throws std::bad_alloc
void* allocate_aligned(std::size_t bytes);
/// @param bytes  As when it was allocated.
void free_aligned(void* memory, std::size_t bytes);

template <class T>
struct AlignedAllocator {
  using value_type = T;
  AlignedAllocator() = default;
  template <class U>
  AlignedAllocator(const AlignedAllocator<U>&) {}
  T* allocate(std::size_t n) { return static_cast<T*>(allocate_aligned(n * sizeof(T))); }
  void deallocate(T* p, std::size_t n) { free_aligned(p, n * sizeof(T)); }
  template <class U>
  bool operator==(const AlignedAllocator<U>&) const {
    return true;
  }
};
/// The same, but elements that are given no value have none, so that threads may be the first to touch the memory.
template <class T>
struct UnsetAllocator : AlignedAllocator<T> {
  UnsetAllocator() = default;
  template <class U>
  UnsetAllocator(const UnsetAllocator<U>&) {}
  template <class U>
  struct rebind {
    using other = UnsetAllocator<U>;
  };
  void construct(T*) {}
  template <class... Values>
  void construct(T* p, Values&&... values) {
    ::new (static_cast<void*>(p)) T(std::forward<Values>(values)...);
  }
};
template <class T>
using UnsetVector = std::vector<T, UnsetAllocator<T>>;

template <class T>
using AlignedVector = std::vector<T, AlignedAllocator<T>>;

}  // namespace rayloom
