# Run by cpack between installing into its folder and packing that.
execute_process(
    COMMAND ${CPACK_PROBEKEEPER_SOURCE}/deploy/package/stage --root ${CPACK_TEMPORARY_DIRECTORY}
        --build ${CPACK_PROBEKEEPER_BUILD} --version ${CPACK_PACKAGE_VERSION} --epoch ${CPACK_PROBEKEEPER_EPOCH}
    COMMAND_ERROR_IS_FATAL ANY)
