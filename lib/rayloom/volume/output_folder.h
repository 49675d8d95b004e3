/// @file
/// A folder of results that appears whole or not at all.
#pragma once
#include <filesystem>
#include <functional>
#include <string>

namespace rayloom {

enum class Overwrite { no, yes };

/// Who works on FOLDER.partial.
enum class Partial {
  own,    ///< One run: begun anew, and removed unless finished.
  shared  ///< Several, at once or one after the other: gone on with if it is there, and kept once `keep` was called.
};

/// Results are written into `partial()`, which is FOLDER.partial; `finish` renames it to FOLDER. If never finished, it
/// is removed (but see Partial) and what stood at FOLDER before is untouched.
///
///     FOLDER.partial   being written
///     FOLDER.replaced  an old FOLDER, for the moment between its renaming and its removal
class OutputFolder {
 public:
  /// What an earlier output of the same kind looks like: a folder that holds anything else is never removed or
  /// replaced.
  struct Kind {
    /// Says whether a file or folder of this name, relative to the output ("slices", "slices/slice_0000.tif"), can
    /// belong to it.
    std::function<bool(const std::string& name)> belongs;
    std::string marker = {};  ///< A file that every finished output holds; empty if there is no such.
  };

  /// Makes FOLDER.partial, after removing what a broken run left there unless shared.
  /// @throws InvalidOption if the folder exists and `overwrite` is no, if it (or a remainder of that name) holds
  ///         something that does not belong, or if the folder to hold it is missing. @throws CannotWrite.
  OutputFolder(const std::filesystem::path& folder, Overwrite overwrite, Kind kind, Partial partial = Partial::own);
  ~OutputFolder();
  OutputFolder(const OutputFolder&) = delete;
  OutputFolder& operator=(const OutputFolder&) = delete;

  const std::filesystem::path& folder() const { return folder_; }
  const std::filesystem::path& partial() const { return partial_; }

  /// From now on a shared FOLDER.partial stays, for other runs to go on with.
  void keep() { kept_ = true; }
  /// Makes the folder appear; an old one is removed only once the new one has its name. @throws CannotWrite.
  void finish();

 private:
  void require_replaceable(const std::filesystem::path& existing, const std::string& marker) const;

  std::filesystem::path folder_, partial_, replaced_;
  Overwrite overwrite_;
  Kind kind_;
  Partial partial_kind_;
  bool finished_ = false, kept_ = false;
};

/// Makes a folder within one's own FOLDER.partial. @throws CannotWrite, also if it is there: another run works on it.
void make_own_folder(const std::filesystem::path& folder);

}  // namespace rayloom
