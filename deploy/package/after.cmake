# Run by cpack when it has packed: packs again with dpkg's own tool, which sorts, and takes times and owners from us
# where cpack writes those of the moment.
foreach(package ${CPACK_PACKAGE_FILES})
    execute_process(COMMAND ${CPACK_PROBEKEEPER_SOURCE}/deploy/package/repack ${package} ${CPACK_PROBEKEEPER_EPOCH}
        COMMAND_ERROR_IS_FATAL ANY)
endforeach()
