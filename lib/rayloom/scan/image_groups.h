/// @file
/// Which images lie in a folder, which belong together, and what each group seems to be: views, dark, open beam,
/// strays.
#pragma once
#include <filesystem>
#include <optional>
#include <string>
#include <vector>

#include "rayloom/scan/image_series.h"

namespace rayloom {

enum class ImageRole { projections, dark, open, open_after, defects, return_view, stray };
std::string to_string(ImageRole role);

/// Images of one folder, name pattern, size and sample type.
struct ImageGroup {
  std::filesystem::path folder;              ///< Relative to the folder that was looked through; empty for itself.
  std::string pattern;                       ///< The file names, the number that counts them as '#'. Where no
                                             ///< number alone does (a time beside it), every one that changes.
  std::vector<std::filesystem::path> files;  ///< Relative like `folder`, in natural order.
  std::size_t images = 0;                    ///< Pages of all files.
  int rows = 0, columns = 0;                 ///< As stored.
  Headerless::Sample sample = Headerless::Sample::uint16;
  ImageRole role = ImageRole::stray;
  std::string why;  ///< Why it has that role, one line.

  std::string name() const { return (files.size() == 1 ? files[0] : folder / pattern).string(); }
};

/// What a folder holds, down to three folders below it. Hidden folders and those with a volume.json are left out.
struct FolderContents {
  std::vector<ImageGroup> groups;
  std::vector<std::filesystem::path> texts;  ///< .txt, .ini, .cfg, .conf, .info, .log; relative.
  struct Damaged {
    std::filesystem::path file;
    std::string pattern, why;
  };
  std::vector<Damaged> damaged;  ///< Files named like images that are none.
};

/// Lists TIFF files, and with `storage.headerless` also .raw, .bin, .img and .dat files of that size. Only headers are
/// read. @throws BadInput if `folder` is no folder that can be read.
FolderContents look_through(const std::filesystem::path& folder, const ImageStorage& storage);

/// What one image is: a view, or all views of one detector row.
enum class Layout { views, sinograms };

/// Sets role and reason of every group: by the words in folder and file names where they say something, else by
/// content. Words that all groups share say nothing.
///
/// By content, pixel by pixel of the images made small: a dark image lies below every view, an open-beam image above
/// every view; a single image that is nearer to the first view than the views are to their neighbours is a return view;
/// the views are the group whose images differ among themselves and that holds the most data. What has another size
/// than the views is a stray.
/// @param layout  With sinograms only names count.
/// @param doubts  Gets a line for each thing that does not fit, such as dark images brighter than the open beam.
/// @throws BadInput if an image cannot be read.
void tell_roles(const std::filesystem::path& folder, const ImageStorage& storage, Layout layout,
                std::vector<ImageGroup>& groups, std::vector<std::string>& doubts);

/// The group as the scan file names it: the shortest glob that matches these files and no others, or several, or the
/// names themselves. @param relative_to  Folder that the names are to be relative to.
ImageNames names_of(const ImageGroup& group, const std::filesystem::path& folder,
                    const std::filesystem::path& relative_to);

/// Block means of an image, at most 64 x 64: a look at it that noise hardly touches.
Image made_small(const Image& image);
/// Mean of |a - b| over the pixels of two images of one size.
double mean_difference(const Image& a, const Image& b);

}  // namespace rayloom
