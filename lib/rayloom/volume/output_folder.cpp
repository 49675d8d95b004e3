#include "rayloom/volume/output_folder.h"

#include <system_error>

#include "rayloom/errors.h"

namespace rayloom {

namespace fs = std::filesystem;

namespace {

[[noreturn]] void fail(const fs::path& folder, const std::error_code& error) {
  throw CannotWrite(folder.string() + ": cannot be written: " + error.message(),
                    "is the disk full, or the folder above it read-only?");
}

fs::path without_trailing_slash(const fs::path& folder) {
  const fs::path path = folder.lexically_normal();
  return path.has_filename() ? path : path.parent_path();
}

}  // namespace

OutputFolder::OutputFolder(const fs::path& folder, Overwrite overwrite, Kind kind, Partial partial)
    : folder_(without_trailing_slash(folder)), overwrite_(overwrite), kind_(std::move(kind)), partial_kind_(partial) {
  if (folder_.empty()) throw InvalidOption("output: ''; must be the name of a folder");
  partial_ = folder_.string() + ".partial";
  replaced_ = folder_.string() + ".replaced";
  std::error_code error, ignored;
  if (fs::exists(fs::symlink_status(folder_, ignored))) {
    if (overwrite == Overwrite::no)
      throw InvalidOption(folder_.string() + ": exists; must be a new name", "--overwrite replaces it");
    require_replaceable(folder_, kind_.marker);
  }
  const fs::path parent = folder_.parent_path();
  if (!parent.empty() && !fs::is_directory(parent, ignored))
    throw InvalidOption(parent.string() + ": no such folder; must exist to hold " + folder_.filename().string());

  for (const auto& remainder : {partial_, replaced_})
    if (fs::exists(fs::symlink_status(remainder, ignored))) require_replaceable(remainder, {});
  if (partial_kind_ == Partial::own) fs::remove_all(partial_, error);
  if (!error) fs::create_directory(partial_, error);
  if (error) fail(folder_, error);
}

OutputFolder::~OutputFolder() {
  std::error_code ignored;
  if (finished_ || kept_) return;
  if (partial_kind_ == Partial::own)
    fs::remove_all(partial_, ignored);
  else
    fs::remove(partial_, ignored);  // only if nothing is in it: others may be at work
}

void OutputFolder::finish() {
  std::error_code error, ignored;
  bool replacing = false;
  if (overwrite_ == Overwrite::yes && fs::exists(fs::symlink_status(folder_, ignored))) {
    require_replaceable(folder_, kind_.marker);  // again, for what came there meanwhile
    fs::remove_all(replaced_, error);
    if (!error) fs::rename(folder_, replaced_, error);
    if (error) fail(folder_, error);
    replacing = true;
  }
  fs::rename(partial_, folder_, error);
  if (error) {
    if (replacing) fs::rename(replaced_, folder_, ignored);
    fail(folder_, error);
  }
  finished_ = true;
  if (replacing) fs::remove_all(replaced_, ignored);
}

void OutputFolder::require_replaceable(const fs::path& existing, const std::string& marker) const {
  std::error_code error;
  if (!fs::is_directory(existing, error))
    throw InvalidOption(existing.string() + ": is a file; must be a folder or a new name");
  bool empty = true;
  for (auto entry = fs::recursive_directory_iterator(existing, error);
       !error && entry != fs::recursive_directory_iterator(); entry.increment(error)) {
    empty = false;
    const std::string name = entry->path().lexically_relative(existing).generic_string();
    if (!kind_.belongs(name))
      throw InvalidOption(existing.string() + ": holds " + name + "; must hold nothing but an earlier result",
                          "move it away, or choose another name");
  }
  if (error) throw CannotWrite(existing.string() + ": cannot be read: " + error.message());
  if (!empty && !marker.empty() && !fs::exists(existing / marker))
    throw InvalidOption(existing.string() + ": holds no " + marker + "; must be an earlier result to be replaced",
                        "move it away, or choose another name");
}

void make_own_folder(const fs::path& folder) {
  std::error_code error;
  if (fs::create_directory(folder, error)) return;
  if (error) throw CannotWrite(folder.string() + ": cannot be made: " + error.message(), "is the disk full?");
  throw CannotWrite(folder.string() + ": is there already", "does another run write the same output?");
}

}  // namespace rayloom
