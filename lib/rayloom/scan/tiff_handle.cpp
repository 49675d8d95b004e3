#include "rayloom/scan/tiff_handle.h"

#include <cstdarg>
#include <cstdio>

namespace rayloom {

namespace {

constexpr int handled = 1;  // tells libtiff not to call its global handler, which prints

int keep_error(TIFF*, void* first_error, const char* /*module*/, const char* format, va_list arguments) {
  auto& text = *static_cast<std::string*>(first_error);
  if (text.empty()) {
    char buffer[400];
    std::vsnprintf(buffer, sizeof buffer, format, arguments);
    text = buffer;
  }
  return handled;
}

int drop_warning(TIFF*, void*, const char*, const char*, va_list) {
  return handled;
}

}  // namespace

TiffHandle::TiffHandle(const std::filesystem::path& file, const char* mode) : error_(std::make_unique<std::string>()) {
  struct FreeOptions {
    void operator()(TIFFOpenOptions* options) const { TIFFOpenOptionsFree(options); }
  };
  const std::unique_ptr<TIFFOpenOptions, FreeOptions> options(TIFFOpenOptionsAlloc());
  TIFFOpenOptionsSetErrorHandlerExtR(options.get(), keep_error, error_.get());
  TIFFOpenOptionsSetWarningHandlerExtR(options.get(), drop_warning, nullptr);
  tiff_.reset(TIFFOpenExt(file.c_str(), mode, options.get()));
}

}  // namespace rayloom
